package pages

import (
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"underkeep/api/view"
)

// input is one field of a form, with what is wrong with it.
type input struct {
	ID          string // set by newForm
	Name, Label string
	Kind        string // "" for text; email, tel, date, datetime-local, number, password, select, checks, tick, textarea
	Value       string
	Hint, Wrong string
	Complete    string   // what a browser may fill in
	Options     []option // of a select or of checks
	Required    bool
	Most        int // characters
	Rows        int // of a textarea
}

// form is shown by the template of that name: one way for every form of the
// settings, so that each has its key, labels, hints and errors.
type form struct {
	ID      string // prefix of the ids of its fields, unique on the page
	To      string
	Form    string // proves that it came from here
	Once    string // makes a second sending harmless; "" where it is anyway
	Gateway string // the gateway that it is about; "" none
	Inputs  []input
	Button  string
	Wrong   string // what is wrong with no single field
}

// Bad says that something in the form is wrong.
func (f form) Bad() bool {
	return f.Wrong != "" || slices.ContainsFunc(f.Inputs, func(x input) bool { return x.Wrong != "" })
}

// newForm gives every field an id that is unique on the page.
func newForm(f frame, id, to, button string, inputs ...input) form {
	for i := range inputs {
		inputs[i].ID = id + "-" + inputs[i].Name
	}
	return form{ID: id, To: to, Form: f.Form, Button: button, Inputs: inputs}
}

// wrongs are what is wrong by field; "" is for no single one.
type wrongs map[string]string

// put lays values and errors over the fields of a form.
func (f *form) put(in url.Values, w wrongs) {
	f.Wrong = w[""]
	known := map[string]bool{"": true}
	for i := range f.Inputs {
		x := &f.Inputs[i]
		known[x.Name] = true
		x.Wrong = w[x.Name]
		if in == nil {
			continue
		}
		x.Value = in.Get(x.Name)
		for j := range x.Options {
			x.Options[j].Chosen = slices.Contains(in[x.Name], x.Options[j].Value)
		}
	}
	for name, text := range w { // the page has no such field: say it above
		if !known[name] {
			f.Wrong = strings.TrimSpace(f.Wrong + " " + text)
		}
	}
}

// wrongIn says what a person can put right, and where; ok is false for an error
// that is nobody's fault here.
func wrongIn(err error) (w wrongs, ok bool) {
	var field *view.FieldError
	var file view.FileErrors
	switch {
	case errors.As(err, &field):
		return wrongs{field.Field: sayWrong(field)}, true
	case errors.As(err, &file):
		return wrongs{"": sayWrong(file)}, true
	case errors.Is(err, view.ErrInvalid), errors.Is(err, view.ErrConflict):
		return wrongs{"": sayWrong(err)}, true
	}
	return nil, false
}

// options of a select, with the one that stands.
func options(chosen string, pairs ...string) []option {
	var out []option
	for i := 0; i+1 < len(pairs); i += 2 {
		out = append(out, option{pairs[i], pairs[i+1], pairs[i] == chosen})
	}
	return out
}

// said is the sentence that belongs to what was just done.
func said(r *http.Request, sentences map[string]string) string {
	return sentences[r.URL.Query().Get("done")]
}

// list splits what somebody typed into names: by comma, space or line.
func list(text string) []string {
	return strings.FieldsFunc(text, func(r rune) bool { return r == ',' || r == ';' || r == ' ' || r == '\n' || r == '\r' || r == '\t' })
}

// posted lets a form of ours through, and gives what it says.
func (p *pages) posted(f http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if p.ownForm(w, r) {
			f(w, r)
		}
	}
}

// back leads from a form that was accepted to a page that says so.
func back(w http.ResponseWriter, r *http.Request, to, done string) {
	http.Redirect(w, r, to+"?"+url.Values{"done": {done}}.Encode(), http.StatusSeeOther)
}
