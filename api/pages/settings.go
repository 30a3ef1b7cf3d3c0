package pages

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"github.com/go-chi/chi/v5"

	"underkeep/api/view"
)

// settingsBody is the most that a form of the settings may hold: a property
// file with hundreds of points.
const settingsBody = 300 << 10

func (p *pages) settingsRoutes(r chi.Router) {
	for _, part := range []struct {
		action view.Action
		routes func(chi.Router)
	}{
		{view.WriteFleet, p.describedRoutes}, {view.Quarantine, p.quarantineRoutes}, {view.ManagePeople, p.peopleRoutes}, {view.ManageTokens, p.tokenRoutes},
		{view.ManageGateways, p.gatewayRoutes}, {view.SetTerms, p.termsRoutes}, {view.ReadDeliveries, p.routingRoutes}, {view.ReadAudit, p.auditRoutes},
	} {
		r.Group(func(r chi.Router) {
			r.Use(p.forRole(part.action))
			part.routes(r)
		})
	}
	r.Get("/settings", p.settings)
}

func (p *pages) describedRoutes(r chi.Router) {
	r.Get("/settings/properties", p.settingsProperties)
	r.Get("/settings/properties/new", p.newFile)
	r.Post("/settings/properties", p.takeFile)
	r.Get("/settings/properties/{id}", p.describedProperty)
	r.Post("/settings/properties/{id}", p.takeFile)
	r.Get("/settings/properties/{id}/limits", p.limits)
	r.Get("/settings/properties/{id}/limits/{condition}", p.limitsOf)
	r.Post("/settings/properties/{id}/limits/{condition}", p.applyLimits)
}

func (p *pages) quarantineRoutes(r chi.Router) {
	r.Get("/settings/quarantine", p.quarantine)
	r.Get("/settings/quarantine/{id}", p.quarantined)
	r.Post("/settings/quarantine/{id}/replay", p.replay)
	r.Post("/settings/quarantine/{id}/discard", p.discard)
}

// forRole lets through who may do something at all.
func (p *pages) forRole(a view.Action) func(http.Handler) http.Handler {
	return func(next http.Handler) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if !visitOf(r).May(a) {
				p.message(w, r, http.StatusForbidden, "Not yours to do", "Your role does not change settings. Ask a manager.")
				return
			}
			next.ServeHTTP(w, r)
		})
	}
}

// still is the frame of a page with forms: nothing brings it up to date while
// somebody fills it in.
func (p *pages) still(r *http.Request, title string) frame {
	f := p.frame(r, title)
	f.Refresh = false
	return f
}

// settingsPage leads to what this person may set.
type settingsPage struct {
	frame
	Properties                                                  int
	Open                                                        string // how much is in quarantine
	People, Tokens, Gateways, Terms, Routing, Quarantine, Audit bool
}

func (p *pages) settings(w http.ResponseWriter, r *http.Request) {
	who := visitOf(r)
	page := settingsPage{frame: p.still(r, "Settings"), People: who.May(view.ManagePeople), Tokens: who.May(view.ManageTokens), Gateways: who.May(view.ManageGateways),
		Terms: who.May(view.SetTerms), Routing: who.May(view.ReadDeliveries), Quarantine: who.May(view.Quarantine), Audit: who.May(view.ReadAudit)}
	if !page.Sets && !page.People && !page.Tokens && !page.Gateways && !page.Terms && !page.Quarantine {
		p.message(w, r, http.StatusForbidden, "Not yours to do", "Your role does not change settings. Ask a manager.")
		return
	}
	counts, err := p.Source.FleetCounts(r.Context(), who.Scope())
	if err == nil && page.Quarantine {
		page.Open, err = p.inQuarantine(r)
	}
	if err != nil {
		p.fail(w, r, err)
		return
	}
	page.Properties = counts.Properties
	p.render(w, r, http.StatusOK, "settings.html", page)
}

// inQuarantine says how much is open there, as far as it is worth counting.
func (p *pages) inQuarantine(r *http.Request) (string, error) {
	const most = 100
	found, next, err := p.Source.Quarantine(r.Context(), visitOf(r).Scope(), view.QuarantineQuery{Limit: most})
	open := strconv.Itoa(len(found))
	if next != "" {
		open = "more than " + open
	}
	return open, err
}

type settingsProperties struct {
	frame
	Search string
	Rows   []settingsProperty
	Next   string
}

type settingsProperty struct{ ID, Name, Area string }

func (p *pages) settingsProperties(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	page := settingsProperties{frame: p.still(r, "Properties"), Search: cut(q.Get("q"), 80)}
	found, next, err := p.Source.Properties(r.Context(), visitOf(r).Scope(), view.PropertyQuery{Search: page.Search, After: cut(q.Get("after"), 80), Limit: 100})
	if err != nil {
		p.fail(w, r, err)
		return
	}
	for _, f := range found {
		page.Rows = append(page.Rows, settingsProperty{f.ID, f.Name, f.Area})
	}
	if next != "" {
		page.Next = "/settings/properties?" + url.Values{"q": {page.Search}, "after": {next}}.Encode()
	}
	p.render(w, r, http.StatusOK, "settings-properties.html", page)
}

// describedPage is one property with its files, or the form for a new one.
type describedPage struct {
	frame
	ID, Name string
	Files    []fileShown
	Text     string // in the form
	Wrong    []view.FileError
	Said     string
	Gateways []view.Gateway
	To       string // where the form goes
}

type fileShown struct{ From, Document string }

func (p *pages) newFile(w http.ResponseWriter, r *http.Request) {
	p.render(w, r, http.StatusOK, "settings-property.html", describedPage{frame: p.still(r, "New property"), To: "/settings/properties"})
}

func (p *pages) describedProperty(w http.ResponseWriter, r *http.Request) {
	page, err := p.described(r, chi.URLParam(r, "id"))
	if err != nil {
		p.fail(w, r, err)
		return
	}
	if done := r.URL.Query().Get("done"); done == "added" || done == "changed" {
		page.Said = "The file was taken; the property was " + done + "."
	}
	p.render(w, r, http.StatusOK, "settings-property.html", page)
}

func (p *pages) described(r *http.Request, id string) (describedPage, error) {
	scope := visitOf(r).Scope()
	prop, err := p.Source.Property(r.Context(), scope, id)
	if err != nil {
		return describedPage{}, err
	}
	page := describedPage{frame: p.still(r, "Settings of "+prop.Name), ID: prop.ID, Name: prop.Name, To: "/settings/properties/" + prop.ID}
	files, err := p.Source.Descriptions(r.Context(), scope, id)
	if err != nil {
		return page, err
	}
	for _, f := range files {
		from := "from the start"
		if f.From != nil {
			from = "from " + f.From.String() + " on"
		}
		page.Files = append(page.Files, fileShown{from, f.Document})
		page.Text = f.Document
	}
	page.Gateways, err = p.Source.Gateways(r.Context(), scope, id)
	return page, err
}

// takeFile adds a property or a new version of one. A file that is refused
// comes back as it was written, with what is wrong by line.
func (p *pages) takeFile(w http.ResponseWriter, r *http.Request) {
	if !p.ownForm(w, r) {
		return
	}
	text := r.PostFormValue("file")
	prop, created, err := p.Source.Register(r.Context(), []byte(text), visitOf(r).Name)
	if wrong, ok := p.refusal(err); ok {
		p.refuseFile(w, r, text, wrong)
		return
	}
	if err != nil {
		p.fail(w, r, err)
		return
	}
	done := "changed"
	if created {
		done = "added"
	}
	http.Redirect(w, r, "/settings/properties/"+prop.ID+"?done="+done, http.StatusSeeOther)
}

// refusal is what a person can put right in what they wrote.
func (p *pages) refusal(err error) (view.FileErrors, bool) {
	var wrong view.FileErrors
	switch {
	case errors.As(err, &wrong):
		return wrong, true
	case errors.Is(err, view.ErrInvalid), errors.Is(err, view.ErrConflict):
		return view.FileErrors{{Problem: err.Error()}}, true
	}
	return nil, false
}

func (p *pages) refuseFile(w http.ResponseWriter, r *http.Request, text string, wrong view.FileErrors) {
	page := describedPage{frame: p.still(r, "New property"), To: "/settings/properties"}
	if id := chi.URLParam(r, "id"); id != "" {
		var err error
		if page, err = p.described(r, id); err != nil {
			p.fail(w, r, err)
			return
		}
	}
	page.Text, page.Wrong = text, wrong
	p.render(w, r, http.StatusUnprocessableEntity, "settings-property.html", page)
}

type quarantinePage struct {
	frame
	All  bool
	Rows []quarantineRow
	Next string
}

type quarantineRow struct {
	view.Quarantined
	When, Closed string
	Text         string // payload
	Cut          bool
	Said         string
}

func (p *pages) quarantineRow(q view.Quarantined) quarantineRow {
	out := quarantineRow{Quarantined: q, When: q.ReceivedAt.UTC().Format("Jan 2, 2006, 15:04:05 UTC"), Text: cut(string(q.Payload), 16<<10), Cut: len(q.Payload) < q.PayloadBytes}
	if !q.Open() {
		out.Closed = q.Outcome + " by " + q.ClosedBy + ", " + q.ClosedAt.UTC().Format("Jan 2, 15:04 UTC")
	}
	return out
}

func (p *pages) quarantine(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	page := quarantinePage{frame: p.still(r, "Quarantine"), All: q.Get("all") != ""}
	found, next, err := p.Source.Quarantine(r.Context(), visitOf(r).Scope(), view.QuarantineQuery{All: page.All, After: cut(q.Get("after"), 80), Limit: 50})
	if err != nil {
		p.fail(w, r, err)
		return
	}
	for _, f := range found {
		page.Rows = append(page.Rows, p.quarantineRow(f))
	}
	if next != "" {
		v := url.Values{"after": {next}}
		if page.All {
			v.Set("all", "1")
		}
		page.Next = "/settings/quarantine?" + v.Encode()
	}
	p.render(w, r, http.StatusOK, "quarantine.html", page)
}

type quarantinedPage struct {
	frame
	quarantineRow
}

func (p *pages) quarantined(w http.ResponseWriter, r *http.Request) {
	found, err := p.Source.QuarantinedItem(r.Context(), visitOf(r).Scope(), chi.URLParam(r, "id"))
	if err != nil {
		p.fail(w, r, err)
		return
	}
	page := quarantinedPage{p.still(r, "Quarantined"), p.quarantineRow(found)}
	if stored, err := strconv.Atoi(r.URL.Query().Get("stored")); err == nil {
		page.Said = "Tried again: " + plural(stored, "reading") + " stored."
	}
	if refused, err := strconv.Atoi(r.URL.Query().Get("refused")); err == nil && refused > 0 {
		page.Said += " " + plural(refused, "record") + " refused again."
	}
	p.render(w, r, http.StatusOK, "quarantined.html", page)
}

func (p *pages) replay(w http.ResponseWriter, r *http.Request) {
	p.settle(w, r, func(ctx context.Context, scope view.Scope, id, by string) (string, error) {
		done, err := p.Source.Replay(ctx, scope, id, by)
		v := url.Values{"stored": {strconv.Itoa(done.Stored)}, "refused": {strconv.Itoa(done.Refused)}}
		return "/settings/quarantine/" + url.PathEscape(id) + "?" + v.Encode(), err
	})
}

func (p *pages) discard(w http.ResponseWriter, r *http.Request) {
	p.settle(w, r, func(ctx context.Context, scope view.Scope, id, by string) (string, error) {
		_, err := p.Source.Discard(ctx, scope, id, by)
		return "/settings/quarantine", err
	})
}

func (p *pages) settle(w http.ResponseWriter, r *http.Request, f func(ctx context.Context, scope view.Scope, id, by string) (string, error)) {
	if !p.ownForm(w, r) {
		return
	}
	v := visitOf(r)
	to, err := f(r.Context(), v.Scope(), chi.URLParam(r, "id"), v.Name)
	if err != nil {
		p.fail(w, r, err)
		return
	}
	http.Redirect(w, r, to, http.StatusSeeOther)
}

// rehearsalTime is the most that a page waits for a rehearsal.
const rehearsalTime = 45 * time.Second
