package pages

import (
	"context"
	"fmt"
	"net/http"
	"slices"

	"underkeep/alerting/region"
	"underkeep/api/view"
)

// eventRow is one regional event among the rows of the fleet, with its houses.
type eventRow struct {
	Title  string
	State  state // of the worst alarm in it
	Houses int
	Where  string // "" not known
	Why    string
	Lasts  string
	Since  string
	Rows   []row
	Over   int // houses where it is over and seen
}

const (
	eventsOnToday  = 20
	housesPerEvent = 200
)

// eventRows are the regional events that want a person, worst first. Each has
// the rows of its houses, so that nothing is hidden behind it.
func (p *pages) eventRows(r *http.Request, f frame) ([]eventRow, error) {
	who := visitOf(r)
	found, _, err := p.Source.RegionalEvents(r.Context(), who.Scope(), view.RegionalQuery{Wanting: true, Limit: eventsOnToday})
	if err != nil {
		return nil, err
	}
	var out []eventRow
	for _, e := range found {
		houses, _, err := p.Source.Urgent(r.Context(), who.Scope(), view.PropertyQuery{Regional: e.ID, Limit: housesPerEvent})
		if err != nil {
			return nil, err
		}
		out = append(out, p.eventRow(e, houses, who.Principal, f))
	}
	slices.SortStableFunc(out, func(a, b eventRow) int { return b.State.Courses - a.State.Courses })
	return out, nil
}

func (p *pages) eventRow(e view.RegionalEvent, houses []view.Property, who view.Principal, f frame) eventRow {
	out := eventRow{Title: regionalWords[e.Kind].Title, Houses: e.Houses, Why: coincidence(e.Why), Over: e.Houses}
	out.Lasts = "for " + lasting(p.Now().Sub(e.Since))
	if !e.Until.IsZero() {
		out.Lasts = "over for " + lasting(p.Now().Sub(e.Until))
	}
	if e.Located {
		out.Where = fmt.Sprintf("within %.0f km", max(1, e.RadiusKm))
	}
	worst := 0
	for _, h := range houses {
		if !slices.Contains(h.RegionalEvents(), e.ID) {
			continue
		}
		out.Rows = append(out.Rows, p.row(h, who, f))
		for _, a := range h.Open {
			if a.RegionalEvent == e.ID && !a.Over() {
				worst = max(worst, int(a.Priority))
			}
		}
	}
	out.Over -= len(out.Rows)
	out.State = state{worst, "over"}
	if worst > 0 {
		out.State.Word = [...]string{"", "low", "medium", "high", "urgent"}[worst]
	}
	if len(houses) > 0 {
		out.Since = e.Since.In(zoneOf(houses[0].Property)).Format("Jan 2 15:04")
	}
	return out
}

// among puts each event before the first house that can wait longer.
func among(rows []row, events []eventRow) []row {
	for i := len(events) - 1; i >= 0; i-- {
		at := slices.IndexFunc(rows, func(r row) bool {
			return r.State.Courses < events[i].State.Courses || r.Worst == nil || r.Worst.Over != ""
		})
		if at < 0 {
			at = len(rows)
		}
		rows = slices.Insert(rows, at, row{Event: &events[i], State: events[i].State})
	}
	return rows
}

// coincidence say why it is one event.
func coincidence(c region.Chance) string {
	near := "of the same area or fleet"
	if c.ReachKm > 0 {
		near = fmt.Sprintf("within %.0f km of one of them", c.ReachKm)
	}
	expected := "hardly any"
	if c.Expected >= 0.05 {
		expected = fmt.Sprintf("%.1f", c.Expected)
	}
	return fmt.Sprintf("%d of %d houses %s within %s; by chance it would be %s.", c.Houses, c.InReach, near, lasting(c.Span), expected)
}

// sharedWords tell an owner what the house has in common with others.
func (p *pages) sharedWords(r *http.Request, prop view.Property) ([]string, error) {
	var out []string
	for _, id := range prop.RegionalEvents() {
		e, err := p.Source.RegionalEvent(r.Context(), visitOf(r).Scope(), id)
		if err != nil {
			return nil, err
		}
		if e.Until.IsZero() {
			out = append(out, fmt.Sprintf("%s Of the houses that we watch it is %d.", regionalWords[e.Kind].Plain, e.Houses))
		}
	}
	return out, nil
}

// addShared says on the page of one house that its trouble is part of a regional
// event, with how many and why: nobody drives to one house for it.
func (p *pages) addShared(ctx context.Context, page *propertyPage, prop view.Property, who visit, _ string) error {
	for _, id := range prop.RegionalEvents() {
		e, err := p.Source.RegionalEvent(ctx, who.Scope(), id)
		if err != nil {
			return err
		}
		lasts := "over"
		if e.Until.IsZero() {
			lasts = "for " + lasting(p.Now().Sub(e.Since))
		}
		where := ""
		if e.Located {
			where = fmt.Sprintf(" within %.0f km", max(1, e.RadiusKm))
		}
		page.Shared = append(page.Shared, fmt.Sprintf("Not only here. %s at %d houses%s, %s, since %s: one call-out for all of them. %s",
			regionalWords[e.Kind].Title, e.Houses, where, lasts, e.Since.In(zoneOf(prop.Property)).Format("Jan 2 15:04"), coincidence(e.Why)))
	}
	return nil
}
