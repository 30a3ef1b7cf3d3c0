package pages

import (
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"underkeep/api/view"
)

func (p *pages) gatewayRoutes(r chi.Router) {
	r.Get("/settings/gateways", p.gateways)
	r.Get("/settings/properties/{id}/gateways", p.houseGateways)
	r.Post("/settings/properties/{id}/gateways", p.posted(p.issueGateway))
	r.Post("/settings/properties/{id}/gateways/{gateway}/revoke", p.posted(p.revokeGateway))
}

type gatewaysPage struct {
	frame
	ID, Name string // of the house; "" for the fleet
	Rows     []gatewayRow
	Search   string
	Silent   bool
	Next     string
	Said     string
	Add      form
	Secret   *secretShown
}

type gatewayRow struct {
	Property, Title, Gateway, User string
	Heard, Old                     string
	Revoked                        bool
	Rotate                         form
}

// silentFor is how long a gateway is not heard of before the filter shows it.
const silentFor = 24 * time.Hour

func (p *pages) gatewayLine(g view.GatewayAccount) gatewayRow {
	out := gatewayRow{Property: g.Property, Title: g.Title, Gateway: g.Gateway, User: g.Username, Heard: "never heard", Revoked: g.Revoked}
	if !g.HeardAt.IsZero() {
		out.Heard = "heard " + ago(p.Now().Sub(g.HeardAt))
	}
	if !g.OldUntil.IsZero() {
		out.Old = "the password before works until " + g.OldUntil.UTC().Format("Jan 2, 15:04 UTC")
	}
	return out
}

// gateways lists those of the fleet, the one that was silent for longest first.
func (p *pages) gateways(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	ask := view.GatewayQuery{Text: cut(strings.TrimSpace(q.Get("q")), 80), After: cut(q.Get("after"), 400), Limit: 100}
	page := gatewaysPage{frame: p.still(r, "Gateways"), Search: ask.Text, Silent: q.Get("silent") != ""}
	if page.Silent {
		ask.SilentSince = p.Now().Add(-silentFor)
	}
	found, next, err := p.Source.ListGateways(r.Context(), visitOf(r).Scope(), ask)
	if err != nil {
		p.fail(w, r, err)
		return
	}
	for _, g := range found {
		page.Rows = append(page.Rows, p.gatewayLine(g))
	}
	if next != "" {
		q.Set("after", next)
		page.Next = "/settings/gateways?" + q.Encode()
	}
	p.render(w, r, http.StatusOK, "gateways.html", page)
}

func (p *pages) houseGateways(w http.ResponseWriter, r *http.Request) {
	p.showGateways(w, r, http.StatusOK, nil, nil, nil)
}

// overlapHours are how long the password before may work on.
var overlapHours = []string{"168", "a week", "24", "a day", "720", "30 days", "0", "not at all"}

// showGateways shows those of one house; in and wrong belong to the form that
// was sent, secret to what it made.
func (p *pages) showGateways(w http.ResponseWriter, r *http.Request, status int, in url.Values, wrong wrongs, secret *secretShown) {
	scope := visitOf(r).Scope()
	prop, err := p.Source.Property(r.Context(), scope, chi.URLParam(r, "id"))
	if err != nil {
		p.fail(w, r, err)
		return
	}
	found, _, err := p.Source.ListGateways(r.Context(), scope, view.GatewayQuery{Property: prop.ID, Limit: 100})
	if err != nil {
		p.fail(w, r, err)
		return
	}
	page := gatewaysPage{frame: p.still(r, "Gateways of "+prop.Name), ID: prop.ID, Name: prop.Name, Secret: secret,
		Said: said(r, map[string]string{"revoked": "Revoked: its passwords fail from now on, and its connection ends."})}
	to := "/settings/properties/" + prop.ID + "/gateways"
	for _, g := range found {
		row := p.gatewayLine(g)
		button := "New password for " + g.Gateway
		overlap := input{Name: "overlap_hours", Label: "The present one works on for", Kind: "select", Options: options("168", overlapHours...)}
		row.Rotate = newForm(page.frame, "rotate-"+g.Gateway, to, button, overlap)
		row.Rotate.Once = newKey()
		row.Rotate.Gateway = g.Gateway
		if in.Get("gateway") == g.Gateway {
			row.Rotate.put(in, wrong)
		}
		page.Rows = append(page.Rows, row)
	}
	page.Add = newForm(page.frame, "gateway", to, "Add the gateway", input{Name: "gateway", Label: "Name", Required: true, Most: 40, Hint: "Small letters, digits and hyphens, as gw1."})
	page.Add.Once = newKey()
	if in.Get("overlap_hours") == "" {
		page.Add.put(in, wrong)
	}
	p.render(w, r, status, "gateways.html", page)
}

// issueGateway adds a gateway, or gives one that is there another password.
func (p *pages) issueGateway(w http.ResponseWriter, r *http.Request) {
	in, id := r.PostForm, chi.URLParam(r, "id")
	name, adds := strings.TrimSpace(in.Get("gateway")), in.Get("overlap_hours") == ""
	var secret *secretShown
	hours, err := strconv.Atoi(in.Get("overlap_hours"))
	if adds {
		err = p.freeGateway(r, id, name)
	} else if err != nil {
		err = &view.FieldError{Field: "overlap_hours", Problem: "a number of hours is needed", Err: view.ErrInvalid}
	}
	if err == nil {
		err = p.once(r, func() error {
			c, err := p.Source.IssueGateway(r.Context(), visitOf(r).Scope(), id, name, time.Duration(hours)*time.Hour, visitOf(r).Name)
			secret = &secretShown{What: "Gateway " + name, User: c.Username, Password: c.Password, Then: "Enter both at the gateway, for MQTT."}
			if !c.OldUntil.IsZero() {
				secret.Then += " The password before works until " + c.OldUntil.UTC().Format("Jan 2, 15:04 UTC") + "."
			}
			return err
		})
	}
	if wrong, ok := wrongIn(err); ok {
		p.showGateways(w, r, http.StatusUnprocessableEntity, in, wrong, nil)
		return
	}
	if err != nil {
		p.fail(w, r, err)
		return
	}
	p.showGateways(w, r, http.StatusCreated, nil, nil, secret)
}

// freeGateway keeps whoever adds a gateway from changing the password of one
// that is there.
func (p *pages) freeGateway(r *http.Request, property, name string) error {
	found, err := p.Source.Gateways(r.Context(), visitOf(r).Scope(), property)
	for _, g := range found {
		if g.ID == name && !g.Revoked {
			return &view.FieldError{Field: "gateway", Problem: name + " is there already; give it a new password instead", Err: view.ErrConflict}
		}
	}
	return err
}

func (p *pages) revokeGateway(w http.ResponseWriter, r *http.Request) {
	id := chi.URLParam(r, "id")
	if err := p.Source.RevokeGateway(r.Context(), visitOf(r).Scope(), id, chi.URLParam(r, "gateway"), visitOf(r).Name); err != nil {
		p.fail(w, r, err)
		return
	}
	back(w, r, "/settings/properties/"+id+"/gateways", "revoked")
}
