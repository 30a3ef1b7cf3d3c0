package words

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"underkeep/alerting"
	"underkeep/store/site"
	"underkeep/store/site/units"
	"underkeep/store/visit"
)

// House is one line of a message about several houses.
type House struct {
	Property  string
	Condition site.Condition
	Point     string
	Priority  alerting.Priority
	RaisedAt  time.Time
	Zone      *time.Location
	PageURL   string
	Event     string // of several houses that have one cause: its name; "" otherwise
}

// List is a message about several houses: gathered in a storm, or the digest of
// a day.
type List struct {
	Reader
	Digest  bool
	Houses  []House
	PageURL string
}

// listed is how many lines a message shows; the pages have all.
const listed = 60

func (m *List) sorted() []House {
	out := slices.Clone(m.Houses)
	slices.SortStableFunc(out, func(a, b House) int {
		if a.Priority != b.Priority {
			return int(b.Priority) - int(a.Priority)
		}
		return a.RaisedAt.Compare(b.RaisedAt)
	})
	return out
}

func (m *List) line(h House) string {
	out := h.Property + ": " + For(m.Lang, h.Condition).Title
	if h.Point != "" {
		out += " (" + h.Point + ")"
	}
	out += ", " + of(m.Lang).Priorities[h.Priority] + ", " + at(m.Lang, h.RaisedAt, h.Zone)
	if h.Event != "" {
		out += "; " + of(m.Lang).Regional + ": " + Line(h.Event)
	}
	return out
}

// Subject of the message.
func (m *List) Subject() string {
	p := of(m.Lang)
	if m.Digest {
		return Line(fmt.Sprintf(p.DigestSubject, len(m.Houses)))
	}
	houses := map[string]bool{}
	urgent := ""
	for _, h := range m.Houses {
		houses[h.Property] = true
		if h.Priority == alerting.Urgent {
			urgent = p.Urgent
		}
	}
	return Line(urgent + fmt.Sprintf(p.GatheredSubject, len(houses)))
}

// Mail puts the list into a mail.
func (m *List) Mail() Mail {
	p := of(m.Lang)
	var d doc
	if m.Digest {
		d.para(p.DigestIntro)
	} else {
		d.para(p.GatheredIntro)
	}
	var lines []string
	for i, h := range m.sorted() {
		if i == listed {
			lines = append(lines, fmt.Sprintf("… +%d", len(m.Houses)-listed))
			break
		}
		lines = append(lines, m.line(h))
	}
	if len(lines) == 0 {
		d.para(p.DigestEmpty)
	}
	d.list("", lines)
	d.list(p.Cautions, m.cautions())
	d.link(p.PagesLabel, p.Pages, m.PageURL)
	m.foot(&d)
	return d.mail(m.Lang, m.Subject())
}

func (m *List) cautions() []string {
	var alarms []Alarm
	for _, h := range m.Houses {
		alarms = append(alarms, Alarm{Condition: h.Condition})
	}
	c := Message{Reader: m.Reader, Alarms: alarms}
	return c.cautions()
}

// Text puts the list into a text message.
func (m *List) Text() string {
	text := m.Subject() + "."
	for i, h := range m.sorted() {
		if i == 3 {
			break
		}
		text += " " + h.Property + ": " + For(m.Lang, h.Condition).Title + "."
	}
	return cut(text, m.PageURL)
}

// Happened is one alarm of a summary and what was done about it.
type Happened struct {
	Alarm
	Done []string // what a visit or an answer says of it
}

// Summary tells an owner how a month was.
type Summary struct {
	Reader
	Property   string
	Month      time.Time // any moment in it
	MeanRHPct  float64
	MostRHPct  float64
	AboveHours float64 // hours above LimitPct
	LimitPct   float64
	Covered    float64 // share of the month with readings of humidity, 0 to 1
	PumpCycles int     // -1: no pump
	Happened   []Happened
	Visits     []VisitDone
	Chart      *Chart
	Checkpoint string // of the evidence log; "" leaves it out
	PageURL    string
}

// Mail puts the summary into a mail.
func (s *Summary) Mail() Mail {
	p := of(s.Lang)
	month := Month(s.Lang, s.Month.In(s.Zone))
	var d doc
	d.para(fmt.Sprintf(p.SummaryIntro, s.Property, month))
	if len(s.Happened) == 0 && s.Covered > 0 {
		d.para(p.SummaryGood)
	}
	d.list(p.SummaryFigures, s.figures())
	d.list(p.SummaryAlarms, s.happened())
	d.list(p.SummaryVisits, s.visits())
	if s.Chart != nil {
		m := Message{Reader: s.Reader, Chart: s.Chart}
		d.chart(m.chartText())
	}
	d.link(p.PageLabel, p.Page, s.PageURL)
	if s.Checkpoint != "" {
		d.para(p.SummaryAnchor)
		d.exact(s.Checkpoint)
	}
	s.foot(&d)
	return d.mail(s.Lang, fmt.Sprintf(p.SummarySubject, month, s.Property))
}

func (s *Summary) figures() []string {
	p := of(s.Lang)
	if s.Covered == 0 {
		return []string{p.SummaryNone}
	}
	rh := func(v float64) string { return units.Format(units.RelHumidity, v, s.Units) }
	out := []string{fmt.Sprintf(p.SummaryAir, rh(s.MeanRHPct), rh(s.MostRHPct))}
	out = append(out, fmt.Sprintf(p.SummaryAbove, units.Format(units.Duration, s.AboveHours*3600, s.Units), rh(s.LimitPct)))
	if s.PumpCycles >= 0 {
		out = append(out, fmt.Sprintf(p.SummaryPump, s.PumpCycles))
	}
	return append(out, fmt.Sprintf(p.SummaryCover, units.Format(units.Percent, 100*s.Covered, s.Units)))
}

func (s *Summary) happened() []string {
	p := of(s.Lang)
	var out []string
	for _, h := range s.Happened {
		line := Day(s.Lang, h.RaisedAt.In(s.Zone)) + ": " + For(s.Lang, h.Condition).Plain
		if h.OverAt.IsZero() {
			line += " (" + p.StillOpen + ")"
		} else {
			line += " (" + p.SummaryOver + " " + Day(s.Lang, h.OverAt.In(s.Zone)) + ")"
		}
		if h.AnsweredBy != "" {
			line += " " + fmt.Sprintf(p.Answered, Line(h.AnsweredBy), Day(s.Lang, h.AnsweredAt.In(s.Zone)))
		}
		for _, done := range h.Done {
			line += " " + Line(done)
		}
		out = append(out, line)
	}
	return out
}

// VisitDone is a visit that was signed off.
type VisitDone struct {
	At       time.Time
	Kind     visit.Kind
	Findings string // in the technician's own words
	Work     []visit.Work
	Parts    []string
}

func (s *Summary) visits() []string {
	p := of(s.Lang)
	var out []string
	for _, v := range s.Visits {
		line := Day(s.Lang, v.At.In(s.Zone)) + ": " + visitWords[s.Lang][v.Kind] + "."
		var done []string
		for _, w := range v.Work {
			done = append(done, workWords[s.Lang][w])
		}
		for _, part := range v.Parts {
			done = append(done, fmt.Sprintf(p.SummaryPart, Line(part)))
		}
		if len(done) > 0 {
			line += " " + p.SummaryDone + ": " + strings.Join(done, "; ") + "."
		}
		if f := Line(v.Findings); f != "" {
			line += " " + p.SummaryFound + ": " + f
		}
		out = append(out, line)
	}
	return out
}

// Weekly tells a manager how the week was.
type Weekly struct {
	Reader
	From, To                     time.Time
	Alarms, CallOuts, Properties int
	Worst, Service, Checks       []string
	Quarantine, Dead             int
	PageURL                      string
}

// Mail puts the week into a mail.
func (w *Weekly) Mail() Mail {
	p := of(w.Lang)
	var d doc
	section := func(title string, items []string) {
		d.heading(title)
		if len(items) == 0 {
			d.para(p.WeeklyNothing)
		}
		for i := range items {
			items[i] = Line(items[i])
		}
		d.list("", items)
	}
	d.heading(p.WeeklyLoadTitle)
	d.para(fmt.Sprintf(p.WeeklyLoad, w.Alarms, w.CallOuts, w.Properties))
	section(p.WeeklyWorst, w.Worst)
	section(p.WeeklyService, w.Service)
	section(p.WeeklyChecks, w.Checks)
	d.para(fmt.Sprintf(p.WeeklyQuarantine, w.Quarantine))
	d.para(fmt.Sprintf(p.WeeklyDead, w.Dead))
	d.link(p.PagesLabel, p.Pages, w.PageURL)
	w.foot(&d)
	last := w.To.Add(-time.Second).In(w.Zone)
	return d.mail(w.Lang, fmt.Sprintf(p.WeeklySubject, Day(w.Lang, w.From.In(w.Zone)), Day(w.Lang, last)))
}

// SignIn carries a link to sign in.
func (r *Reader) SignIn(link string, within time.Duration) Mail {
	p := of(r.Lang)
	var d doc
	d.exact(fmt.Sprintf(p.SignInText, link, int(within.Minutes())))
	r.foot(&d)
	return d.mail(r.Lang, p.SignInSubject)
}

// Invite carries the first link of somebody whom another has added.
func (r *Reader) Invite(by, link string, within time.Duration) Mail {
	p := of(r.Lang)
	var d doc
	d.exact(fmt.Sprintf(p.InviteText, by, link, int(within.Hours())))
	r.foot(&d)
	return d.mail(r.Lang, p.InviteSubject)
}

// Sick says that a channel does not work.
type Sick struct {
	Reader
	Channel string
	Waiting int
	Since   time.Time
	Error   string
}

func (s *Sick) said() string {
	p := of(s.Lang)
	return fmt.Sprintf(p.ChannelText, p.ChannelNames[s.Channel], s.Waiting, at(s.Lang, s.Since, s.Zone), Line(s.Error))
}

// Mail puts it into a mail.
func (s *Sick) Mail() Mail {
	p := of(s.Lang)
	var d doc
	d.para(s.said())
	d.labelled(p.DoThis, p.ChannelDo)
	s.foot(&d)
	return d.mail(s.Lang, fmt.Sprintf(p.ChannelSubject, p.ChannelNames[s.Channel]))
}

// Text puts it into a text message.
func (s *Sick) Text() string { return cut(s.said()+" "+of(s.Lang).ChannelDo, "") }

// Test shows that messages arrive.
func (r *Reader) Test() Mail {
	p := of(r.Lang)
	var d doc
	d.para(p.TestText)
	r.foot(&d)
	return d.mail(r.Lang, p.TestSubject)
}

// NoLifeSafety is the sentence that every message ends with.
func (r *Reader) NoLifeSafety() string { return of(r.Lang).NoLifeSafety }
