package pages

import (
	"crypto/sha256"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"underkeep/api/view"
)

func (p *pages) tokenRoutes(r chi.Router) {
	r.Get("/settings/tokens", p.tokens)
	r.Get("/settings/tokens/new", p.newToken)
	r.Post("/settings/tokens", p.posted(p.addToken))
	r.Post("/settings/tokens/{id}/revoke", p.posted(p.revokeToken))
}

type tokensPage struct {
	frame
	Rows   []tokenRow
	Said   string
	Add    *form
	Secret *secretShown
}

type tokenRow struct {
	ID, Name, Role, Houses, May string
	Until, Used, Made           string
	Over                        string // revoked or run out; "" it works
}

// secretShown is what is shown once and kept nowhere.
type secretShown struct {
	What, User, Password string
	Then                 string
}

func (p *pages) tokenLine(t view.Token) tokenRow {
	out := tokenRow{ID: t.ID, Name: t.Name, Role: string(t.Role), Houses: strings.Join(t.Properties, ", "), May: "all that the role may", Until: "no end", Used: "never", Made: day(t.CreatedAt) + " by " + t.CreatedBy}
	if t.Everything {
		out.Houses = "every house"
	}
	if t.Actions != nil {
		out.May = strings.Join(t.Actions, ", ")
	}
	if !t.Expires.IsZero() {
		out.Until = "until " + day(t.Expires)
	}
	if !t.LastUsed.IsZero() {
		out.Used = ago(p.Now().Sub(t.LastUsed))
	}
	switch {
	case !t.Revoked.IsZero():
		out.Over = "revoked " + day(t.Revoked)
	case !t.Expires.IsZero() && !t.Expires.After(p.Now()):
		out.Over = "run out"
	}
	return out
}

func (p *pages) tokens(w http.ResponseWriter, r *http.Request) {
	found, err := p.Source.ListTokens(r.Context())
	if err != nil {
		p.fail(w, r, err)
		return
	}
	page := tokensPage{frame: p.still(r, "API tokens"), Said: said(r, map[string]string{"revoked": "Revoked: it fails from now on."})}
	for _, t := range found {
		page.Rows = append(page.Rows, p.tokenLine(t))
	}
	// Those that work come first, the newest of them before the rest.
	slices.SortStableFunc(page.Rows, func(a, b tokenRow) int {
		over := map[bool]int{true: 1}
		return over[a.Over != ""] - over[b.Over != ""]
	})
	p.render(w, r, http.StatusOK, "tokens.html", page)
}

// tokenDays are how long a token may last.
var tokenDays = []string{"30", "30 days", "90", "90 days", "366", "a year", "", "no end"}

func (p *pages) tokenForm(f frame) form {
	var may []option
	for _, a := range view.ActionNames() {
		may = append(may, option{Value: a, Text: strings.ReplaceAll(a, "-", " ")})
	}
	return newForm(f, "token", "/settings/tokens", "Create the token",
		input{Name: "name", Label: "What it is for", Required: true, Most: 200},
		input{Name: "role", Label: "Role", Kind: "select", Options: options(string(view.Warranty), roleWords...)},
		input{Name: "properties", Label: "Only these houses", Kind: "textarea", Rows: 3, Hint: "Ids, one a line. Empty: every house, also those to come."},
		input{Name: "days", Label: "Works for", Kind: "select", Options: options("90", tokenDays...)},
		input{Name: "actions", Label: "Only this", Kind: "checks", Options: may, Hint: "None ticked: all that the role may."},
	)
}

func (p *pages) newToken(w http.ResponseWriter, r *http.Request) {
	p.showNewToken(w, r, http.StatusOK, nil, nil)
}

func (p *pages) showNewToken(w http.ResponseWriter, r *http.Request, status int, in url.Values, wrong wrongs) {
	page := tokensPage{frame: p.still(r, "New token")}
	f := p.tokenForm(page.frame)
	f.Once = newKey()
	f.put(in, wrong)
	page.Add = &f
	p.render(w, r, status, "tokens.html", page)
}

func (p *pages) addToken(w http.ResponseWriter, r *http.Request) {
	in, who := r.PostForm, visitOf(r)
	n := view.NewToken{Name: strings.TrimSpace(in.Get("name")), Role: view.Role(in.Get("role")), Properties: list(in.Get("properties")), Actions: in["actions"], By: who.Name}
	for _, days := range tokenDays {
		if d, err := time.ParseDuration(days + "h"); err == nil && days == in.Get("days") {
			n.Expires = p.Now().Add(24 * d)
		}
	}
	err := view.CheckNewToken(who.Principal, n, p.Now())
	if err == nil {
		err = p.knownHouses(r, n.Properties)
	}
	page := tokensPage{frame: p.still(r, "New token")}
	if err == nil {
		err = p.once(r, func() error {
			secret, t, err := p.Source.IssueToken(r.Context(), n)
			page.Secret = &secretShown{What: "Token “" + t.Name + "”", Password: secret, Then: "Programs send it as Authorization: Bearer."}
			return err
		})
	}
	if wrong, ok := wrongIn(err); ok {
		p.showNewToken(w, r, http.StatusUnprocessableEntity, in, wrong)
		return
	}
	if err != nil {
		p.fail(w, r, err)
		return
	}
	p.render(w, r, http.StatusCreated, "tokens.html", page)
}

// once does what a form asks for the first time it is sent. Sent again, as by
// loading the answer again, it is refused: what was shown is shown only once.
func (p *pages) once(r *http.Request, f func() error) error {
	key := cut(r.PostFormValue("key"), 100)
	if key == "" {
		return view.ErrInvalid
	}
	actor := visitOf(r).Actor
	before, err := p.Source.BeginIdempotent(r.Context(), actor, key, sha256.Sum256([]byte(r.URL.Path+"\x00"+r.PostForm.Encode())))
	if before != nil || errors.Is(err, view.ErrConflict) || errors.Is(err, view.ErrKeyReused) {
		return &view.FieldError{Problem: "this form was sent before, and what it made is shown only once; look at the list", Err: view.ErrConflict}
	}
	if err != nil {
		return err
	}
	if err := f(); err != nil {
		return errors.Join(err, p.Source.AbandonIdempotent(r.Context(), actor, key))
	}
	return p.Source.FinishIdempotent(r.Context(), actor, key, view.StoredAnswer{Status: http.StatusConflict})
}

func (p *pages) revokeToken(w http.ResponseWriter, r *http.Request) {
	if err := p.Source.RevokeToken(r.Context(), chi.URLParam(r, "id"), visitOf(r).Name); err != nil {
		p.fail(w, r, err)
		return
	}
	back(w, r, "/settings/tokens", "revoked")
}
