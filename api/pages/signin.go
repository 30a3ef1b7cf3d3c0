package pages

import (
	"context"
	"errors"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"underkeep/api/signin"
	"underkeep/api/view"
)

// signInPage is the page for whoever is not signed in.
type signInPage struct {
	frame
	To       string
	Wrong    bool
	Waiting  string // how long until the next try; "" none
	Sent     bool   // a link is on its way, if the address is known
	Email    string
	Links    bool   // mailed links are offered
	Provider string // of OpenID Connect; "" none
}

func (p *pages) signInRoutes(r chi.Router) {
	r.Get("/sign-in", p.signInPage)
	r.Post("/sign-in", p.signIn)
	r.Post("/sign-in/link", p.askLink)
	r.Get("/sign-in/link/{secret}", p.linkPage)
	r.Post("/sign-in/link/{secret}", p.useLink)
	r.Get("/sign-in/openid", p.toProvider)
	r.Get("/sign-in/openid/back", p.fromProvider)
}

func (p *pages) signInPage(w http.ResponseWriter, r *http.Request) {
	p.showSignIn(w, r, http.StatusOK, signInPage{To: r.URL.Query().Get("to")})
}

func (p *pages) showSignIn(w http.ResponseWriter, r *http.Request, status int, page signInPage) {
	page.frame = p.frame(r, "Sign in")
	page.Refresh = false
	page.To, page.Links = ownPath(page.To), p.Access.Mail != nil
	if p.Access.OpenID != nil {
		page.Provider = p.Access.OpenID.Name()
	}
	p.render(w, r, status, "sign-in.html", page)
}

func (p *pages) origin(r *http.Request) view.Origin {
	return view.Origin{Source: p.Access.Source(r), Agent: r.UserAgent(), Old: p.sessions.secret(r)}
}

// signIn takes e-mail address and password, or a token alone. It needs no form
// key: there is no session yet to abuse, and requests from other sites are
// refused by their origin.
func (p *pages) signIn(w http.ResponseWriter, r *http.Request) {
	email, to := strings.TrimSpace(r.PostFormValue("email")), r.PostFormValue("to")
	from := p.origin(r)
	if wait, ok := p.Access.Allow(from.Source); !ok {
		p.wait(w, r, wait, to, email)
		return
	}
	var secret string
	var err error
	switch token := strings.TrimSpace(r.PostFormValue("token")); {
	case len(token) > 512 || len(email) > 254:
		err = view.ErrNotFound
	case token != "":
		secret, err = p.Source.SignInByToken(r.Context(), token, from)
	default:
		secret, err = p.Source.SignIn(r.Context(), email, r.PostFormValue("password"), from)
	}
	var soon view.TooSoonError
	switch {
	case errors.As(err, &soon):
		p.wait(w, r, soon.Wait, to, email)
	case errors.Is(err, view.ErrNotFound):
		p.showSignIn(w, r, http.StatusUnauthorized, signInPage{To: to, Wrong: true, Email: email})
	default:
		p.letIn(w, r, secret, to, err)
	}
}

func (p *pages) wait(w http.ResponseWriter, r *http.Request, wait time.Duration, to, email string) {
	seconds := int(math.Ceil(wait.Seconds()))
	w.Header().Set("Retry-After", strconv.Itoa(seconds))
	p.showSignIn(w, r, http.StatusTooManyRequests, signInPage{To: to, Email: email, Waiting: waitWords(seconds)})
}

func waitWords(seconds int) string {
	if seconds <= 90 {
		return strconv.Itoa(seconds) + " seconds"
	}
	return strconv.Itoa((seconds+59)/60) + " minutes"
}

func (p *pages) letIn(w http.ResponseWriter, r *http.Request, secret, to string, err error) {
	if err != nil {
		p.fail(w, r, err)
		return
	}
	p.sessions.start(w, secret)
	http.Redirect(w, r, ownPath(to), http.StatusSeeOther)
}

func (p *pages) signOut(w http.ResponseWriter, r *http.Request) {
	if !p.ownForm(w, r) {
		return
	}
	if err := p.Source.EndSession(r.Context(), visitOf(r).secret); err != nil {
		p.fail(w, r, err)
		return
	}
	p.sessions.end(w)
	http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
}

// ownForm checks that a form came from a page of this session.
func (p *pages) ownForm(w http.ResponseWriter, r *http.Request) bool {
	if p.sessions.checkForm(visitOf(r).secret, r.PostFormValue("form")) {
		return true
	}
	p.message(w, r, http.StatusForbidden, "Not accepted", "This form is too old or came from elsewhere. Go back, load the page again and repeat.")
	return false
}

// askLink answers the same to every address, and before anything depends on
// whether it is known.
func (p *pages) askLink(w http.ResponseWriter, r *http.Request) {
	if p.Access.Mail == nil {
		http.NotFound(w, r)
		return
	}
	email, from := strings.TrimSpace(r.PostFormValue("email")), p.origin(r)
	if wait, ok := p.Access.Allow(from.Source); !ok {
		p.wait(w, r, wait, "", email)
		return
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(r.Context()), time.Minute)
	go func() {
		defer cancel()
		p.sendLink(ctx, email, from)
	}()
	p.showSignIn(w, r, http.StatusOK, signInPage{Sent: true, Email: email})
}

func (p *pages) sendLink(ctx context.Context, email string, from view.Origin) {
	link, err := p.Source.NewSignInLink(ctx, email, from)
	if errors.Is(err, view.ErrNotFound) {
		return // nobody has the address, or enough links are on their way
	}
	if err == nil {
		err = p.Access.Mail.SendSignInLink(ctx, signin.Link{Person: link.Person, Name: link.Name, Email: link.Email, Language: link.Language,
			URL: p.signInURL(link.Secret), Expires: link.Expires})
	}
	if err != nil {
		p.Logger.ErrorContext(ctx, "mail a link to sign in", "error", err)
	}
}

type linkPage struct {
	frame
	Secret string
}

// linkPage has a button and does nothing by itself: mail programs and scanners
// open links, and must not use them up.
func (p *pages) linkPage(w http.ResponseWriter, r *http.Request) {
	f := p.frame(r, "Sign in")
	f.Refresh = false
	p.render(w, r, http.StatusOK, "sign-in-link.html", linkPage{f, chi.URLParam(r, "secret")})
}

func (p *pages) useLink(w http.ResponseWriter, r *http.Request) {
	from := p.origin(r)
	if wait, ok := p.Access.Allow(from.Source); !ok {
		p.wait(w, r, wait, "", "")
		return
	}
	link, err := url.PathUnescape(chi.URLParam(r, "secret"))
	if err != nil || len(link) > 200 {
		link = ""
	}
	secret, err := p.Source.SignInByLink(r.Context(), link, from)
	if errors.Is(err, view.ErrNotFound) {
		p.message(w, r, http.StatusGone, "This link is used up", "A link works once and for a short while. Ask for another one on the page to sign in.")
		return
	}
	p.letIn(w, r, secret, "/", err)
}

func (p *pages) toProvider(w http.ResponseWriter, r *http.Request) {
	if p.Access.OpenID == nil {
		http.NotFound(w, r)
		return
	}
	address, attempt, err := p.Access.OpenID.Begin(r.Context())
	if err != nil {
		p.fail(w, r, err)
		return
	}
	p.sessions.carry(w, attempt, ownPath(r.URL.Query().Get("to")))
	http.Redirect(w, r, address, http.StatusSeeOther)
}

func (p *pages) fromProvider(w http.ResponseWriter, r *http.Request) {
	if p.Access.OpenID == nil {
		http.NotFound(w, r)
		return
	}
	from := p.origin(r)
	if wait, ok := p.Access.Allow(from.Source); !ok {
		p.wait(w, r, wait, "", "")
		return
	}
	a := p.sessions.carried(w, r)
	email, err := p.Access.OpenID.Finish(r.Context(), a.Attempt, r.URL.Query().Get("state"), r.URL.Query().Get("code"))
	var secret string
	if err == nil {
		secret, err = p.Source.SignInVerified(r.Context(), email, from)
	}
	if errors.Is(err, signin.ErrRefused) || errors.Is(err, view.ErrNotFound) {
		p.Logger.WarnContext(r.Context(), "sign-in at the provider", "error", err)
		p.message(w, r, http.StatusForbidden, "Not accepted", "The sign-in did not work, or nobody here has your address. Ask the office to add you.")
		return
	}
	p.letIn(w, r, secret, a.To, err)
}
