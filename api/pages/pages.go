// Package pages serves the pages that people read: the day's work, one
// property, one owner's house. They are rendered on the server from embedded
// templates and work without JavaScript. DESIGN-RULES.md says how they look and
// why.
package pages

import (
	"bytes"
	"context"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"errors"
	"html/template"
	"log/slog"
	"maps"
	"net/http"
	"slices"
	"time"

	"github.com/go-chi/chi/v5"
	"github.com/go-chi/chi/v5/middleware"

	"underkeep/alerting/notify"
	"underkeep/api/live"
	"underkeep/api/photo"
	"underkeep/api/view"
)

// Options of Mount. All fields but SessionKey, SecureCookies and Contact are required.
type Options struct {
	Source        view.Source
	Live          *live.Hub
	Logger        *slog.Logger
	Now           func() time.Time
	Access        Access
	SessionKey    []byte // 32 bytes; random when empty
	SecureCookies bool
	Links         *notify.Links // reads links in messages; nil: there are none
	// KeptMail is a mail as it was sent, by the id of its delivery, where the
	// service keeps them (the demo does); "" when it does not.
	KeptMail func(delivery string) string
	Contact  string // how owners reach the company, one line of text
}

type pages struct {
	Options
	sessions *sessions
	comings  comings
}

//go:embed templates
var templateFiles embed.FS

//go:embed static
var staticFiles embed.FS

var (
	assets = map[string][]byte{
		"underkeep.css": mustRead("static/underkeep.css"), "underkeep.js": mustRead("static/underkeep.js"), "mark.svg": mustRead("static/mark.svg"),
	}
	assetTypes = map[string]string{
		"underkeep.css": "text/css; charset=utf-8", "underkeep.js": "text/javascript; charset=utf-8", "mark.svg": "image/svg+xml",
	}
	stamp  = version(assets)
	parsed = template.Must(template.New("").Funcs(template.FuncMap{"asset": asset, "rows": rows}).ParseFS(templateFiles, "templates/*.html"))
)

func mustRead(name string) []byte {
	b, err := staticFiles.ReadFile(name)
	if err != nil {
		panic(err)
	}
	return b
}

// version of the static files, part of their addresses, so that they can be
// kept for ever and still change with a release.
func version(files map[string][]byte) string {
	h := sha256.New()
	for _, name := range slices.Sorted(maps.Keys(files)) {
		h.Write(files[name])
	}
	return hex.EncodeToString(h.Sum(nil)[:6])
}

func asset(name string) string { return "/static/" + stamp + "/" + name }

// Mount adds the pages to the router.
func Mount(r chi.Router, o Options) {
	p := &pages{Options: o, sessions: newSessions(o)}
	origin := http.NewCrossOriginProtection()
	origin.SetDenyHandler(http.HandlerFunc(p.foreign))
	r.Group(func(r chi.Router) { // streams have no deadline and are not compressed
		r.Use(policy, origin.Handler)
		r.With(p.signedIn).Get("/properties/{id}/changes", p.changes)
	})
	r.Group(func(r chi.Router) { // as long as the reader keeps reading
		r.Use(policy, middleware.Compress(5, "text/csv"), origin.Handler, deadlineOf(10*time.Minute))
		r.With(p.signedIn).Get("/properties/{id}/readings.csv", p.readings)
	})
	r.Group(func(r chi.Router) { // years of readings may stand behind a verdict
		r.Use(policy, middleware.Compress(5, "text/html"), origin.Handler, deadlineOf(time.Minute), p.signedIn)
		r.Get("/properties/{id}/conditions", p.conditions)
		r.Get("/properties/{id}/report", p.conditionsReport)
		r.Get("/properties/{id}/evidence", p.evidence)
	})
	r.Group(func(r chi.Router) {
		r.Use(policyFor(settingsBody), middleware.Compress(5, "text/html"), origin.Handler, deadlineOf(rehearsalTime+5*time.Second), p.signedIn)
		p.settingsRoutes(r)
	})
	r.Group(func(r chi.Router) {
		r.Use(policy, middleware.Compress(5, "text/html", "text/css", "text/javascript", "image/svg+xml"), origin.Handler, deadlineOf(15*time.Second))
		r.Get("/static/{version}/{name}", p.static)
		p.signInRoutes(r)
		p.messageRoutes(r)
		r.Group(func(r chi.Router) {
			r.Use(p.signedIn)
			r.Get("/", p.front)
			r.Get("/today", p.today)
			r.Get("/home", p.homes)
			r.Get("/home/{id}", p.home)
			r.Get("/properties/{id}", p.property)
			r.Get("/warranty", p.desk)
			r.Post("/alarms/{id}/acknowledge", p.acknowledge)
			r.Post("/properties/{id}/acknowledge", p.acknowledgeAll)
			r.Get("/deliveries", p.deliveries)
			r.Get("/deliveries/{id}", p.delivery)
			r.Post("/deliveries/resume", p.resume)
			r.Post("/deliveries/test", p.sendTest)
			r.Get("/preview", p.preview)
			r.Post("/sign-out", p.signOut)
			p.visitRoutes(r)
			p.outageRoutes(r)
			p.accountRoutes(r)
		})
	})
	r.Group(func(r chi.Router) { // a photo is larger than a form, and takes longer from below a house
		r.Use(policyFor(photo.MaxBytes+64<<10), origin.Handler)
		r.With(p.signedIn).Post("/visits/{id}/photos", p.visitPhoto)
	})
}

// policy is that of pages with forms of a few fields.
func policy(next http.Handler) http.Handler { return policyFor(16 << 10)(next) }

// policyFor a body of at most so many bytes allows what these pages load from this origin and nothing else, not
// even a style attribute.
func policyFor(most int64) func(http.Handler) http.Handler {
	return func(next http.Handler) http.Handler { return policed(next, most) }
}

func policed(next http.Handler, most int64) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; "+
			"img-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
		// Answers to one person are nobody else's, also not on a shared machine
		// after signing out.
		w.Header().Set("Cache-Control", "no-store")
		r.Body = http.MaxBytesReader(w, r.Body, most)
		next.ServeHTTP(w, r)
	})
}

func deadlineOf(d time.Duration) func(http.Handler) http.Handler {
	return func(next http.Handler) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			ctx, cancel := context.WithTimeout(r.Context(), d)
			defer cancel()
			next.ServeHTTP(w, r.WithContext(ctx))
		})
	}
}

func (p *pages) static(w http.ResponseWriter, r *http.Request) {
	name := chi.URLParam(r, "name")
	if assets[name] == nil || chi.URLParam(r, "version") != stamp {
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	w.Header().Set("Content-Type", assetTypes[name])
	_, _ = w.Write(assets[name]) // the client may be gone
}

// frame is what every page has around it.
type frame struct {
	Title   string
	Lang    string // of the page; "" English
	Skip    string // the link to the content, in that language
	Foot    string
	Who     string
	Owner   bool
	Manager bool   // sees who was written to
	Sets    bool   // changes settings
	Form    string // proves that a form came from here
	Path    string // where to come back to
	Refresh bool   // the script may bring the page up to date
	Changes string // where the script hears that there is something new; "" nowhere
}

func (p *pages) frame(r *http.Request, title string) frame {
	v := visitOf(r)
	f := frame{Title: title, Who: v.Name, Owner: v.Role == view.OwnerRole, Manager: v.May(view.ReadDeliveries), Sets: v.May(view.WriteFleet), Path: r.URL.RequestURI(), Refresh: true}
	if v.secret != "" {
		f.Form = p.sessions.formKey(v.secret)
	}
	return f
}

// render goes to memory first: a template that fails must not leave half a page.
func (p *pages) render(w http.ResponseWriter, r *http.Request, status int, name string, data any) {
	var b bytes.Buffer
	if err := parsed.ExecuteTemplate(&b, name, data); err != nil {
		p.Logger.ErrorContext(r.Context(), "page", "template", name, "error", err)
		http.Error(w, "This page cannot be shown; it is in the log of the service.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write(b.Bytes()) // the client may be gone
}

type messagePage struct {
	frame
	Text string
}

func (p *pages) message(w http.ResponseWriter, r *http.Request, status int, title, text string) {
	f := p.frame(r, title)
	f.Refresh = false
	p.render(w, r, status, "message.html", messagePage{f, text})
}

// fail answers with a page that says what a person can do about it.
func (p *pages) fail(w http.ResponseWriter, r *http.Request, err error) {
	switch {
	case errors.Is(err, view.ErrNotFound):
		p.message(w, r, http.StatusNotFound, "Not found", "There is no such page, or it is not yours to see.")
	case errors.Is(err, view.ErrInvalid):
		p.message(w, r, http.StatusBadRequest, "Not understood", "The address of this page cannot be meant. Go back and try again.")
	case errors.Is(err, view.ErrConflict):
		p.message(w, r, http.StatusConflict, "Changed meanwhile", "This has changed meanwhile. Go back to see how it stands now.")
	default:
		p.Logger.ErrorContext(r.Context(), "page", "path", r.URL.Path, "error", err)
		w.Header().Set("Retry-After", "10")
		p.message(w, r, http.StatusServiceUnavailable, "Not available", "The service does not answer at present. Readings are kept by the gateways meanwhile. Try again in a minute.")
	}
}

func (p *pages) foreign(w http.ResponseWriter, r *http.Request) {
	p.message(w, r, http.StatusForbidden, "Not accepted", "This form came from another site and was not used.")
}

// front leads everybody to the page of their work.
func (p *pages) front(w http.ResponseWriter, r *http.Request) {
	to := "/today"
	switch visitOf(r).Role {
	case view.OwnerRole:
		to = "/home"
	case view.Technician:
		to = "/visits"
	}
	http.Redirect(w, r, to, http.StatusSeeOther)
}

func (p *pages) acknowledge(w http.ResponseWriter, r *http.Request) {
	p.answer(w, r, func(context.Context) ([]string, error) { return []string{chi.URLParam(r, "id")}, nil })
}

// acknowledgeAll answers every alarm of a house at once: one cause often raises
// several.
func (p *pages) acknowledgeAll(w http.ResponseWriter, r *http.Request) {
	p.answer(w, r, func(ctx context.Context) ([]string, error) {
		prop, err := p.Source.Property(ctx, visitOf(r).Scope(), chi.URLParam(r, "id"))
		var ids []string
		for _, a := range prop.Open {
			if a.State != view.Acknowledged {
				ids = append(ids, a.ID)
			}
		}
		return ids, err
	})
}

func (p *pages) answer(w http.ResponseWriter, r *http.Request, which func(context.Context) ([]string, error)) {
	if !p.ownForm(w, r) {
		return
	}
	v := visitOf(r)
	if !v.May(view.Acknowledge) {
		p.message(w, r, http.StatusForbidden, "Not yours to do", "Your role reads alarms and does not answer them.")
		return
	}
	ids, err := which(r.Context())
	for _, id := range ids {
		if err == nil {
			_, err = p.Source.Answer(r.Context(), v.Scope(), id, view.Answer{
				Kind: view.ToAcknowledge, By: v.Name, At: p.Now().UTC(), Note: "on the page",
			})
		}
	}
	if err != nil {
		p.fail(w, r, err)
		return
	}
	http.Redirect(w, r, ownPath(r.PostFormValue("to")), http.StatusSeeOther)
}
