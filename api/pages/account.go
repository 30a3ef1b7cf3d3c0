package pages

import (
	"errors"
	"net/http"
	"net/url"
	"strings"

	"github.com/go-chi/chi/v5"

	"underkeep/api/view"
)

func (p *pages) accountRoutes(r chi.Router) {
	r.Group(func(r chi.Router) {
		r.Use(p.forRole(view.Self))
		r.Get("/account", p.account)
		r.Post("/account/password", p.posted(p.changePassword))
		r.Post("/account/sessions/{session}/end", p.posted(p.endOwnSession))
	})
}

type accountPage struct {
	frame
	Role     string
	Houses   string
	Sessions []sessionRow
	Password *form
	Said     string
}

// account is what everybody sees and changes of themselves.
func (p *pages) account(w http.ResponseWriter, r *http.Request) {
	p.showAccount(w, r, http.StatusOK, nil)
}

func (p *pages) showAccount(w http.ResponseWriter, r *http.Request, status int, wrong wrongs) {
	who := visitOf(r)
	page := accountPage{frame: p.still(r, "Your account"), Role: string(who.Role), Houses: strings.Join(who.Scope().IDs, ", "),
		Said: said(r, map[string]string{"ended": "Signed out there."})}
	if who.Scope().All {
		page.Houses = "every house"
	}
	var err error
	if page.Sessions, err = p.sessionsOf(r.Context(), who.Actor); err != nil {
		p.fail(w, r, err)
		return
	}
	if strings.HasPrefix(who.Actor, "person ") {
		f := newForm(page.frame, "password", "/account/password", "Change the password",
			input{Name: "old", Label: "Present password", Kind: "password", Complete: "current-password", Most: 256, Hint: "Leave it empty if you have none yet."},
			input{Name: "password", Label: "New password", Kind: "password", Complete: "new-password", Required: true, Most: 256, Hint: "At least 10 characters. You are signed out everywhere, and sign in with it."})
		f.put(nil, wrong)
		page.Password = &f
	}
	p.render(w, r, status, "account.html", page)
}

func (p *pages) changePassword(w http.ResponseWriter, r *http.Request) {
	who, in := visitOf(r), r.PostForm
	if in.Get("password") == "" { // would take the password away
		p.showAccount(w, r, http.StatusUnprocessableEntity, wrongs{"password": "A new password is needed."})
		return
	}
	err := p.Source.ChangePassword(r.Context(), who.Principal, in.Get("old"), in.Get("password"))
	wrong, ok := wrongIn(err)
	switch {
	case errors.Is(err, view.ErrConflict):
		wrong = wrongs{"old": sayWrong(err)}
	case ok && wrong[""] != "":
		wrong = wrongs{"password": wrong[""]}
	}
	if ok {
		p.showAccount(w, r, http.StatusUnprocessableEntity, wrong)
		return
	}
	if err != nil {
		p.fail(w, r, err)
		return
	}
	p.sessions.end(w)
	http.Redirect(w, r, "/sign-in?"+url.Values{"to": {"/account"}}.Encode(), http.StatusSeeOther)
}

func (p *pages) endOwnSession(w http.ResponseWriter, r *http.Request) {
	if err := p.Source.EndSessionOf(r.Context(), visitOf(r).Principal, chi.URLParam(r, "session")); err != nil {
		p.fail(w, r, err)
		return
	}
	back(w, r, "/account", "ended")
}
