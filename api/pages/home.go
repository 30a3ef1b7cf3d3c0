package pages

import (
	"net/http"

	"github.com/go-chi/chi/v5"

	"underkeep/api/view"
)

type homesPage struct {
	frame
	Houses []houseLine
}

type houseLine struct {
	ID, Name, Sentence string
	State              state
}

// homePage answers one question: is my house all right?
type homePage struct {
	frame
	ID, Name  string
	State     state
	Sentence  string
	Alarms    []alarmShown
	Humidity  string // present, in words and figure; "" when not measured
	Heard     string
	Contact   string
	Checked   string
	Shared    []string // what it has in common with other houses
	Month     lastMonth
	Otherwise bool // the house is all right and nothing is to be done
}

func (p *pages) homes(w http.ResponseWriter, r *http.Request) {
	found, _, err := p.Source.Properties(r.Context(), visitOf(r).Scope(), view.PropertyQuery{Limit: 100})
	switch {
	case err != nil:
		p.fail(w, r, err)
	case len(found) == 1:
		http.Redirect(w, r, "/home/"+found[0].ID, http.StatusSeeOther)
	default:
		page := homesPage{frame: p.frame(r, "Your houses")}
		for _, prop := range found {
			page.Houses = append(page.Houses, houseLine{prop.ID, prop.Name, sentence(prop), ownerState(prop)})
		}
		p.render(w, r, http.StatusOK, "homes.html", page)
	}
}

func (p *pages) home(w http.ResponseWriter, r *http.Request) {
	who := visitOf(r)
	prop, err := p.Source.Property(r.Context(), who.Scope(), chi.URLParam(r, "id"))
	if err != nil {
		p.fail(w, r, err)
		return
	}
	latest, err := p.Source.Latest(r.Context(), who.Scope(), prop.ID)
	if err != nil {
		p.fail(w, r, err)
		return
	}
	now, zone := p.Now(), zoneOf(prop.Property)
	page := homePage{
		frame: p.frame(r, prop.Name), ID: prop.ID, Name: prop.Name, State: ownerState(prop),
		Sentence: sentence(prop), Humidity: humidityNow(prop, latest, now), Contact: p.Contact, Checked: recently(now, zone),
	}
	if !prop.LastReceived.IsZero() {
		page.Heard = ago(now.Sub(prop.LastReceived))
	}
	said := make(map[string]bool)
	tell := p.teller(prop, who.Principal, page.frame)
	for _, a := range prop.Open {
		if tellsOwner(a) {
			page.Alarms = append(page.Alarms, once(tell.alarm(a), said))
		}
	}
	if page.Shared, err = p.sharedWords(r, prop); err != nil {
		p.fail(w, r, err)
		return
	}
	if page.Month, err = p.lastMonthOf(r.Context(), prop, who.Principal); err != nil {
		p.fail(w, r, err)
		return
	}
	page.Otherwise = len(page.Alarms) == 0
	p.render(w, r, http.StatusOK, "home.html", page)
}

// once leaves out what an earlier alarm of the page has said already.
func once(a alarmShown, said map[string]bool) alarmShown {
	kept := a.Cautions[:0]
	for _, c := range a.Cautions {
		if !said[c] {
			kept = append(kept, c)
		}
		said[c] = true
	}
	a.Cautions = kept
	if said[a.Do] {
		a.Do = ""
	}
	said[a.Do] = true
	return a
}

// ownerState says the weight in words that need no glossary.
func ownerState(p view.Property) state {
	s := state{0, "all right"}
	for _, a := range p.Open {
		if tellsOwner(a) && int(a.Priority) > s.Courses {
			s = state{int(a.Priority), [...]string{"", "", "needs a visit", "needs a visit soon", "needs action now"}[a.Priority]}
		}
	}
	if s.Courses == 0 && p.LastReceived.IsZero() {
		s.Word = "no news yet"
	}
	return s
}

// tellsOwner leaves out what only the company can do anything about.
func tellsOwner(a view.Alarm) bool { return a.Priority > 1 && !a.Over() }

// sentence answers the owner's question. Silence is not an all-clear: without
// news the house is not called all right.
func sentence(p view.Property) string {
	for _, a := range p.Open {
		if tellsOwner(a) {
			return wordsFor(a.Condition).Plain
		}
	}
	if p.LastReceived.IsZero() {
		return "We have not heard from your house yet."
	}
	return "Your house is all right."
}
