package pages

import (
	"strings"
	"time"

	"underkeep/alerting"
	"underkeep/api/view"
)

// state is a word with its shape; the shape has as many courses of blocks as
// the word has weight.
type state struct {
	Courses int    // 0 to 4
	Word    string // all right, low, medium, high, urgent
}

func stateOf(p alerting.Priority) state {
	if p == 0 {
		return state{0, "all right"}
	}
	return state{int(p), p.String()}
}

// alarmShown is one alarm ready to be read.
type alarmShown struct {
	ID, Title, Point, Plain, Do string
	State                       state
	Answer                      string // how people answered
	By                          string
	Since, SinceFull, Lasting   string
	Over                        string // "" while it holds
	Cause                       *causeShown
	Also                        []causeShown
	Cautions                    []string
	Remarks                     []string
	MayAcknowledge              bool
	Form, Path                  string
	Explained                   string // by which other condition
	Label                       string // on the charts
	SameAs                      string // label of an earlier alarm with the same likeliest cause
}

type causeShown struct {
	alerting.Advice
	Evidence []string
}

// teller shows the alarms of one property to one person.
type teller struct {
	prop view.Property
	now  time.Time
	zone *time.Location
	who  view.Principal
	f    frame
}

func (p *pages) teller(prop view.Property, who view.Principal, f frame) teller {
	return teller{prop, p.Now(), zoneOf(prop.Property), who, f}
}

func (t teller) cause(c alerting.Cause) causeShown {
	out := causeShown{Advice: adviceFor(c.Cause)}
	for _, e := range c.Evidence {
		out.Evidence = append(out.Evidence, localize(e, t.prop.Units, t.now, t.zone))
	}
	return out
}

func (t teller) alarm(a view.Alarm) alarmShown {
	w, now, zone := wordsFor(a.Condition), t.now, t.zone
	s := alarmShown{
		ID: a.ID, Title: w.Title, Plain: w.Plain, Do: w.Do, Point: a.Point, State: stateOf(a.Priority),
		Answer: stateWords[string(a.State)], By: a.AcknowledgedBy,
		Since: clock(a.RaisedAt, now, zone), SinceFull: a.RaisedAt.In(zone).Format("Mon Jan 2, 2006, 15:04 MST"),
		Lasting: lasting(now.Sub(a.RaisedAt)), Remarks: a.Remarks, Cautions: cautions(a.Condition, a.Causes),
		Form: t.f.Form, Path: t.f.Path,
	}
	if a.Over() {
		end := later(a.ClearedAt, a.WithdrawnAt)
		s.Over, s.Lasting = clock(end, now, zone), lasting(end.Sub(a.RaisedAt))
	}
	if a.SuppressedBy != "" {
		s.Explained = wordsFor(a.SuppressedBy).Title
	}
	for i, c := range a.Causes {
		shown := t.cause(c)
		if i == 0 {
			s.Cause = &shown
		} else {
			s.Also = append(s.Also, shown)
		}
	}
	s.MayAcknowledge = t.who.May(view.Acknowledge) && (a.State == view.Unacknowledged || a.State == view.ReturnedUnack)
	return s
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// why is the diagnosis in one line: the likeliest cause in words, else the
// condition itself.
func (s alarmShown) Why() string {
	if s.Cause != nil {
		return strings.TrimSuffix(s.Cause.Means, ".")
	}
	return s.Title
}
