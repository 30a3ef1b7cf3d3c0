package pages

import (
	"errors"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"underkeep/api/view"
	"underkeep/api/warranty"
)

func (p *pages) outageRoutes(r chi.Router) {
	r.Get("/outages", p.outages)
	r.Get("/properties/{id}/outages", p.houseOutages)
	r.Post("/properties/{id}/outages", p.posted(p.reportOutage))
}

type outagesPage struct {
	frame
	ID, Name, Zone string // of the house; "" for the fleet
	Rows           []outageRow
	Search         string
	Found          []deskRow
	Add            *form
	Said           string
}

type outageRow struct{ ID, Property, Title, From, To, Reported, By, Note string }

func outageLine(property, title string, o warranty.Outage, zone *time.Location) outageRow {
	at := func(t time.Time) string { return t.In(zone).Format("Jan 2, 2006, 15:04") }
	return outageRow{o.ID, property, title, at(o.From), at(o.To), at(o.ReportedAt), o.By, o.Note}
}

const latestOutages = 50

// outages lists the latest of the fleet, and finds the house to report one for.
func (p *pages) outages(w http.ResponseWriter, r *http.Request) {
	who := visitOf(r)
	page := outagesPage{frame: p.still(r, "Outages"), Search: cutSearch(strings.TrimSpace(r.URL.Query().Get("q")))}
	if page.Search != "" || !who.Scope().All {
		found, _, err := p.Source.Properties(r.Context(), who.Scope(), view.PropertyQuery{Search: page.Search, Limit: deskList})
		if err != nil {
			p.fail(w, r, err)
			return
		}
		for _, prop := range found {
			page.Found = append(page.Found, deskRow{prop.ID, prop.Name, prop.Area, "/properties/" + prop.ID + "/outages"})
		}
	}
	latest, err := p.Source.LatestOutages(r.Context(), who.Scope(), latestOutages)
	if err != nil {
		p.fail(w, r, err)
		return
	}
	for _, o := range latest {
		page.Rows = append(page.Rows, outageLine(o.Property, o.Title, o.Outage, time.UTC))
	}
	p.render(w, r, http.StatusOK, "outages.html", page)
}

func (p *pages) houseOutages(w http.ResponseWriter, r *http.Request) {
	p.showOutages(w, r, http.StatusOK, nil, nil)
}

func (p *pages) showOutages(w http.ResponseWriter, r *http.Request, status int, in url.Values, wrong wrongs) {
	who, id := visitOf(r), chi.URLParam(r, "id")
	prop, err := p.Source.Property(r.Context(), who.Scope(), id)
	if err != nil {
		p.fail(w, r, err)
		return
	}
	zone := zoneOf(prop.Property)
	page := outagesPage{frame: p.still(r, "Outages at "+prop.Name), ID: prop.ID, Name: prop.Name, Zone: prop.Timezone, Said: said(r, map[string]string{"reported": "Reported. The verdict leaves this time out."})}
	found, err := p.Source.Outages(r.Context(), who.Scope(), id, prop.Installed.In(zone), p.Now())
	if err != nil {
		p.fail(w, r, err)
		return
	}
	for i := range found { // the latest first
		page.Rows = append(page.Rows, outageLine(id, "", found[len(found)-1-i], zone))
	}
	if who.May(view.ReportOutage) {
		f := newForm(page.frame, "outage", "/properties/"+prop.ID+"/outages", "Report the outage",
			input{Name: "from", Label: "The power went", Kind: "datetime-local", Required: true},
			input{Name: "to", Label: "The power was back", Kind: "datetime-local", Required: true},
			input{Name: "note", Label: "What happened", Most: 500})
		f.put(in, wrong)
		page.Add = &f
	}
	p.render(w, r, status, "outages.html", page)
}

// localMoment reads a time as a form's field has it, by the clock of the house.
func localMoment(in url.Values, field string, zone *time.Location) (time.Time, error) {
	text := strings.TrimSpace(in.Get(field))
	for _, layout := range []string{"2006-01-02T15:04", "2006-01-02T15:04:05", "2006-01-02 15:04"} {
		if t, err := time.ParseInLocation(layout, text, zone); err == nil {
			if t.Format(layout) != text {
				return t, &view.FieldError{Field: field, Problem: "the clocks of the house jumped over this time; take another", Err: view.ErrInvalid}
			}
			return t, nil
		}
	}
	return time.Time{}, &view.FieldError{Field: field, Problem: "day and time are needed, as 2026-09-01T14:30", Err: view.ErrInvalid}
}

func (p *pages) reportOutage(w http.ResponseWriter, r *http.Request) {
	who, id, in := visitOf(r), chi.URLParam(r, "id"), r.PostForm
	if !who.May(view.ReportOutage) {
		p.message(w, r, http.StatusForbidden, "Not yours to do", "Your role does not report outages.")
		return
	}
	prop, err := p.Source.Property(r.Context(), who.Scope(), id)
	if err != nil {
		p.fail(w, r, err)
		return
	}
	o, err := p.outageOf(in, zoneOf(prop.Property), who.Name)
	if err == nil {
		_, err = p.Source.ReportOutage(r.Context(), who.Scope(), id, o)
	}
	if wrong, ok := wrongIn(err); ok {
		p.showOutages(w, r, http.StatusUnprocessableEntity, in, wrong)
		return
	}
	if err != nil {
		p.fail(w, r, err)
		return
	}
	back(w, r, "/properties/"+id+"/outages", "reported")
}

func (p *pages) outageOf(in url.Values, zone *time.Location, by string) (warranty.Outage, error) {
	from, wrongFrom := localMoment(in, "from", zone)
	to, wrongTo := localMoment(in, "to", zone)
	if err := errors.Join(wrongFrom, wrongTo); err != nil {
		return warranty.Outage{}, err
	}
	now := p.Now().UTC()
	switch {
	case !from.Before(to):
		return warranty.Outage{}, &view.FieldError{Field: "to", Problem: "this is not after the beginning", Err: view.ErrInvalid}
	case to.After(now):
		return warranty.Outage{}, &view.FieldError{Field: "to", Problem: "report it when it is over", Err: view.ErrInvalid}
	}
	return warranty.Outage{From: from.UTC(), To: to.UTC(), Note: cut(strings.TrimSpace(in.Get("note")), 500), ReportedAt: now, By: by}, nil
}
