package pages

import (
	"encoding/base64"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"underkeep/api/view"
)

const (
	rowsOnToday = 50
	rowsByArea  = 100
)

type todayPage struct {
	frame
	Day    string
	Tally  []tally
	Total  int
	Search string
	Area   string
	Areas  []string
	ByArea bool
	Groups []rowGroup
	Next   string // address of the next page
	First  string // address of the first page, on later ones
}

type tally struct {
	state
	Count int
}

// rowGroup is the rows of one area; of all where they are not grouped.
type rowGroup struct {
	Area string
	Rows []row
}

// row is one property of the fleet.
type row struct {
	ID, Name, Area string
	State          state
	Worst          *alarmShown
	More           int    // further alarms
	MayPlan        bool   // this person may plan a visit
	Bring          string // for all of it
	Coming         comingLine
	Heard          string
	Failure        bool      // it could not be evaluated
	Event          *eventRow // instead of a house
}

func (p *pages) today(w http.ResponseWriter, r *http.Request) {
	who := visitOf(r)
	if who.Role == view.OwnerRole {
		http.Redirect(w, r, "/home", http.StatusSeeOther)
		return
	}
	q := r.URL.Query()
	after, err := base64.RawURLEncoding.DecodeString(q.Get("after"))
	ask := view.PropertyQuery{Search: cut(q.Get("q"), 80), Area: cut(q.Get("area"), 80), After: string(after), Limit: rowsOnToday}
	if err != nil {
		p.fail(w, r, view.ErrInvalid)
		return
	}
	byAreas := q.Get("group") == "area"
	if byAreas {
		ask.Limit = rowsByArea
	}
	counts, err := p.Source.FleetCounts(r.Context(), who.Scope())
	if err != nil {
		p.fail(w, r, err)
		return
	}
	if ask.Search == "" && ask.Area == "" { // whoever looks for a house finds it in its own row
		ask.Lone = true
	}
	found, next, err := p.Source.Urgent(r.Context(), who.Scope(), ask)
	if err != nil {
		p.fail(w, r, err)
		return
	}
	page := todayPage{frame: p.frame(r, "Today"), ByArea: byAreas, Search: ask.Search, Area: ask.Area, Areas: counts.Areas, Total: counts.Properties, Tally: tallyOf(counts)}
	page.Day = p.Now().Format("Monday, January 2") // the manager's day; rows are in each property's own zone
	var events []eventRow
	if ask.Lone && ask.After == "" {
		if events, err = p.eventRows(r, page.frame); err != nil {
			p.fail(w, r, err)
			return
		}
	}
	coming := p.comingTo(r.Context(), who.Principal, found)
	var rows []row
	for _, prop := range found {
		one := p.row(prop, who.Principal, page.frame)
		one.Coming = coming[prop.ID]
		rows = append(rows, one)
	}
	if page.ByArea {
		page.Groups = byArea(rows, events)
	} else if all := among(rows, events); len(all) > 0 {
		page.Groups = []rowGroup{{Rows: all}}
	}
	page.Next, page.First = pageLinks(ask, next, page.ByArea)
	p.render(w, r, http.StatusOK, "today.html", page)
}

// byArea puts the rows of a page together by area, the area with the house that
// needs a person soonest first; events, which reach over areas, before all.
func byArea(rows []row, events []eventRow) []rowGroup {
	var out []rowGroup
	if len(events) > 0 {
		out = append(out, rowGroup{Area: "Several houses with one cause", Rows: among(nil, events)})
	}
	at := make(map[string]int)
	for _, one := range rows {
		area := firstText(one.Area, "No area")
		i, known := at[area]
		if !known {
			i, at[area] = len(out), len(out)
			out = append(out, rowGroup{Area: area})
		}
		out[i].Rows = append(out[i].Rows, one)
	}
	return out
}

func pageLinks(ask view.PropertyQuery, next string, byArea bool) (forward, first string) {
	v := url.Values{}
	if byArea {
		v.Set("group", "area")
	}
	if ask.Search != "" {
		v.Set("q", ask.Search)
	}
	if ask.Area != "" {
		v.Set("area", ask.Area)
	}
	if ask.After != "" {
		first = strings.TrimSuffix("/today?"+v.Encode(), "?")
	}
	if next != "" {
		v.Set("after", base64.RawURLEncoding.EncodeToString([]byte(next)))
		forward = "/today?" + v.Encode()
	}
	return forward, first
}

// cut keeps what is searched for within bounds and free of what text cannot hold.
func cut(text string, most int) string {
	text = strings.ReplaceAll(strings.ToValidUTF8(text, ""), "\x00", "")
	if len(text) > most {
		return strings.ToValidUTF8(text[:most], "")
	}
	return text
}

// tallyOf says how many properties stand how, worst first, without empty lines.
func tallyOf(c view.Counts) []tally {
	var out []tally
	for i := len(c.ByPriority) - 1; i >= 0; i-- {
		if n := c.ByPriority[i]; n > 0 {
			s := state{i, "all right"}
			if i > 0 {
				s.Word = [...]string{"", "low", "medium", "high", "urgent"}[i]
			}
			out = append(out, tally{s, n})
		}
	}
	return out
}

func (p *pages) row(prop view.Property, who view.Principal, f frame) row {
	now := p.Now()
	out := row{ID: prop.ID, Name: prop.Name, Area: prop.Area, State: stateOf(prop.Priority()), Heard: "never heard", Failure: prop.Failure != ""}
	if !prop.LastReceived.IsZero() {
		out.Heard = "heard " + ago(now.Sub(prop.LastReceived))
	}
	if len(prop.Open) > 0 {
		worst := p.teller(prop, who, f).alarm(prop.Open[0])
		out.Worst, out.More = &worst, len(prop.Open)-1
	}
	out.Bring, out.MayPlan = bring(prop.Open), out.Worst != nil && who.May(view.PlanVisits)
	return out
}

// bring lists once what the likeliest causes ask for, worst alarm first.
func bring(alarms []view.Alarm) string {
	var items []string
	for _, a := range alarms {
		if len(a.Causes) == 0 || a.Over() {
			continue
		}
		for item := range strings.SplitSeq(strings.TrimSuffix(adviceFor(a.Causes[0].Cause).Bring, "."), ", ") {
			if item = strings.ToLower(item); item != "" && item != "nothing special" && !slices.Contains(items, item) {
				items = append(items, item)
			}
		}
	}
	return strings.Join(items[:min(5, len(items))], ", ")
}

// recently says when the page was made, in the zone given.
func recently(now time.Time, zone *time.Location) string { return now.In(zone).Format("15:04") }
