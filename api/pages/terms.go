package pages

import (
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"strings"

	"github.com/go-chi/chi/v5"

	"underkeep/api/view"
	"underkeep/store/site"
)

func (p *pages) termsRoutes(r chi.Router) {
	r.Get("/settings/terms", p.terms)
	r.Get("/settings/terms/new", p.newTerms)
	r.Post("/settings/terms", p.posted(p.addTerms))
	r.Get("/settings/properties/{id}/terms", p.houseTerms)
	r.Post("/settings/properties/{id}/terms", p.posted(p.assignTerms))
}

type termsPage struct {
	frame
	ID, Name string // of the house; "" for the sets
	List     []termsSet
	Assigned []assignedRow
	Add      *form
	Said     string
}

// termsSet is one set with its versions, the latest first.
type termsSet struct {
	Name, Title string
	Shipped     bool
	Versions    []termsRow
}

type termsRow struct {
	Version           int
	From, Added, File string
}

type assignedRow struct{ From, Terms, How string }

func (p *pages) terms(w http.ResponseWriter, r *http.Request) {
	found, err := p.Source.TermsSets(r.Context())
	if err != nil {
		p.fail(w, r, err)
		return
	}
	page := termsPage{frame: p.still(r, "Warranty terms"), List: termsSets(found), Said: said(r, map[string]string{"added": "The version was added."})}
	p.render(w, r, http.StatusOK, "terms.html", page)
}

func termsSets(found []view.TermsVersion) []termsSet {
	var out []termsSet
	at := map[string]int{}
	for _, v := range found {
		i, known := at[v.Name]
		if !known {
			i, at[v.Name] = len(out), len(out)
			out = append(out, termsSet{Name: v.Name, Shipped: v.Shipped})
		}
		row := termsRow{Version: v.Version, From: "from the start", File: string(v.File), Added: "comes with the program"}
		if v.Effective != (site.Date{}) {
			row.From = "from " + v.Effective.String() + " on"
		}
		if !v.Shipped {
			row.Added = "added " + day(v.AddedAt) + " by " + v.AddedBy
		}
		out[i].Title = v.Title
		out[i].Versions = append([]termsRow{row}, out[i].Versions...)
	}
	return out
}

func (p *pages) newTerms(w http.ResponseWriter, r *http.Request) {
	found, err := p.Source.TermsSets(r.Context())
	if err != nil {
		p.fail(w, r, err)
		return
	}
	text := ""
	for _, v := range found { // the last version of the set, or of the first one
		if of := r.URL.Query().Get("of"); v.Name == of || text == "" {
			text = nextTerms(v)
		}
	}
	p.showNewTerms(w, r, http.StatusOK, url.Values{"file": {text}}, nil)
}

var (
	termsName      = regexp.MustCompile(`(?m)^terms: .*$`)
	termsVersion   = regexp.MustCompile(`(?m)^version: .*$`)
	termsEffective = regexp.MustCompile(`(?m)^effective: .*\n`)
)

// nextTerms is the file to begin the next version of a set from. A set that
// comes with the program is never changed: its text begins another.
func nextTerms(v view.TermsVersion) string {
	text := termsEffective.ReplaceAllString(string(v.File), "")
	if v.Shipped {
		return termsVersion.ReplaceAllString(termsName.ReplaceAllString(text, "terms: a-name-of-yours"), "version: 1")
	}
	return termsVersion.ReplaceAllString(text, fmt.Sprintf("version: %d\neffective: YYYY-MM-DD", v.Version+1))
}

func (p *pages) showNewTerms(w http.ResponseWriter, r *http.Request, status int, in url.Values, wrong wrongs) {
	page := termsPage{frame: p.still(r, "New terms")}
	f := newForm(page.frame, "terms", "/settings/terms", "Add the version", input{Name: "file", Label: "Terms", Kind: "textarea", Rows: 28, Required: true,
		Hint: "YAML; every value with its unit. A second version holds from a day after today, its effective: day; what held before stays."})
	f.put(in, wrong)
	page.Add = &f
	p.render(w, r, status, "terms.html", page)
}

func (p *pages) addTerms(w http.ResponseWriter, r *http.Request) {
	file := strings.ReplaceAll(r.PostFormValue("file"), "\r\n", "\n") // browsers send lines of forms so
	_, err := p.Source.AddTerms(r.Context(), []byte(file), visitOf(r).Name, p.Now())
	if wrong, ok := wrongIn(err); ok {
		if text, general := wrong[""]; general {
			wrong = wrongs{"file": text}
		}
		p.showNewTerms(w, r, http.StatusUnprocessableEntity, r.PostForm, wrong)
		return
	}
	if err != nil {
		p.fail(w, r, err)
		return
	}
	back(w, r, "/settings/terms", "added")
}

func (p *pages) houseTerms(w http.ResponseWriter, r *http.Request) {
	p.showHouseTerms(w, r, http.StatusOK, nil, nil)
}

func (p *pages) showHouseTerms(w http.ResponseWriter, r *http.Request, status int, in url.Values, wrong wrongs) {
	scope := visitOf(r).Scope()
	prop, err := p.Source.Property(r.Context(), scope, chi.URLParam(r, "id"))
	if err != nil {
		p.fail(w, r, err)
		return
	}
	sets, err := p.Source.TermsSets(r.Context())
	if err != nil {
		p.fail(w, r, err)
		return
	}
	assigned, err := p.Source.TermsAssigned(r.Context(), scope, prop.ID)
	if err != nil {
		p.fail(w, r, err)
		return
	}
	page := termsPage{frame: p.still(r, "Terms of "+prop.Name), ID: prop.ID, Name: prop.Name, Said: said(r, map[string]string{"assigned": "Assigned."})}
	chosen, from := "", prop.Installed.String()
	for _, a := range assigned {
		row := assignedRow{From: a.From.String(), Terms: a.Terms, How: "by the property file"}
		if a.Origin != "file" {
			row.How = "by " + a.AssignedBy + ", " + day(a.AssignedAt)
		}
		page.Assigned = append(page.Assigned, row)
		chosen, from = a.Terms, site.DateOf(p.Now()).AddDays(2).String()
	}
	pick := input{Name: "terms", Label: "Terms", Kind: "select"}
	for _, s := range termsSets(sets) {
		pick.Options = append(pick.Options, option{s.Name, s.Name + ": " + s.Title, s.Name == chosen})
	}
	f := newForm(page.frame, "assign", "/settings/properties/"+prop.ID+"/terms", "Assign", pick,
		input{Name: "from", Label: "From this day on", Kind: "date", Value: from, Required: true, Hint: "By the calendar of the house. Where terms hold already, a day after today."})
	f.put(in, wrong)
	page.Add = &f
	p.render(w, r, status, "terms.html", page)
}

func (p *pages) assignTerms(w http.ResponseWriter, r *http.Request) {
	id, in := chi.URLParam(r, "id"), r.PostForm
	from, err := site.ParseDate(in.Get("from"))
	if err != nil {
		err = &view.FieldError{Field: "from", Problem: "a day is needed, as 2026-09-01", Err: view.ErrInvalid}
	} else {
		err = p.Source.AssignTerms(r.Context(), visitOf(r).Scope(), id, view.TermsAssignment{From: from, Terms: in.Get("terms"), Origin: "desk", AssignedAt: p.Now(), AssignedBy: visitOf(r).Name})
	}
	if wrong, ok := wrongIn(err); ok {
		p.showHouseTerms(w, r, http.StatusUnprocessableEntity, in, wrong)
		return
	}
	if err != nil {
		p.fail(w, r, err)
		return
	}
	back(w, r, "/settings/properties/"+id+"/terms", "assigned")
}
