package words

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"underkeep/alerting"
	"underkeep/store/site"
	"underkeep/store/site/units"
)

// Reader is who a message is for, and what every message of theirs has.
type Reader struct {
	Lang    Lang
	Units   units.System
	Owner   bool   // in owner's words; else in the trade's
	Company string // as the contractor is called; "" for "your contractor"
	Phone   string // whom to call; "" leaves it out
	Zone    *time.Location
	StopURL string // no more messages; "" leaves it out
}

// Figure is one measured value that a message cites.
type Figure struct {
	Quantity site.Quantity
	Point    string
	Value    float64 // in the stored unit
	At       time.Time
}

// Limit is the limit that a condition goes by.
type Limit struct {
	Dimension units.Dimension
	Value     float64
	Below     bool // raised below it, not above
}

// Alarm is one alarm of a message.
type Alarm struct {
	Condition  site.Condition
	Point      string
	Priority   alerting.Priority
	RaisedAt   time.Time
	OverAt     time.Time // zero while it holds
	Cause      string    // likeliest; "" not known
	Figures    []Figure
	Limit      *Limit
	Rain24MM   *float64  // nil: not known or beside the point
	Heard      time.Time // last sign of life, where that is the point; else zero
	AnsweredBy string
	AnsweredAt time.Time
}

// AlarmKind is what a message about alarms is for.
type AlarmKind uint8

// The kinds of messages about the alarms of one call-out.
const (
	Raised    AlarmKind = iota + 1 // of an alarm, or that its priority has risen
	Reminder                       // to the next people, because nobody has acknowledged
	Returned                       // all is normal again
	Corrected                      // late data withdrew what was told
)

// Message is about the alarms of one call-out at one property.
type Message struct {
	Reader
	Kind     AlarmKind
	Property string // its name
	Alarms   []Alarm
	Late     bool      // first told after it was over
	ToldAt   time.Time // of a Reminder: since when nobody has acknowledged
	SeenURL  string    // signed link that acknowledges; "" leaves it out
	PageURL  string
	Chart    *Chart // what the chart in the mail shows; nil: no chart
}

// Chart says what a chart shows.
type Chart struct {
	Quantity site.Quantity
	Point    string
	From, To time.Time
	Limited  bool // the limit is in it, dashed
}

// first is the alarm that the message is named after: the most urgent, then the
// first to begin.
func (m *Message) first() Alarm {
	if len(m.Alarms) == 0 {
		return Alarm{}
	}
	return slices.MinFunc(m.Alarms, func(a, b Alarm) int {
		if a.Priority != b.Priority {
			return int(b.Priority) - int(a.Priority)
		}
		return a.RaisedAt.Compare(b.RaisedAt)
	})
}

// Subject of the message; those of one thread share what follows the prefix.
func (m *Message) Subject() string {
	p := of(m.Lang)
	a := m.first()
	title := For(m.Lang, a.Condition).Title + ", " + m.Property
	switch {
	case m.Kind == Returned:
		title = fmt.Sprintf(p.ReturnSubject, title)
	case m.Kind == Corrected:
		title = fmt.Sprintf(p.WithdrawnSubj, title)
	case m.Kind == Reminder:
		title = p.Reminder + title
	}
	if a.Priority == alerting.Urgent && (m.Kind == Raised || m.Kind == Reminder) && !m.Late {
		title = p.Urgent + title
	}
	return Line(title)
}

// Mail puts the message into a mail.
func (m *Message) Mail() Mail {
	var d doc
	switch m.Kind {
	case Returned:
		m.returned(&d)
	case Corrected:
		m.corrected(&d)
	default:
		m.alarm(&d)
	}
	m.foot(&d)
	return d.mail(m.Lang, m.Subject())
}

func (m *Message) alarm(d *doc) {
	p, a := of(m.Lang), m.first()
	w := For(m.Lang, a.Condition)
	if m.Kind == Reminder {
		d.para(fmt.Sprintf(p.NotAnswered, at(m.Lang, m.ToldAt, m.Zone)))
	}
	d.para(m.said(a, w))
	if m.Late && !a.OverAt.IsZero() {
		d.para(fmt.Sprintf(p.OverBefore, at(m.Lang, a.RaisedAt, m.Zone), at(m.Lang, a.OverAt, m.Zone)))
	}
	m.facts(d, a)
	switch {
	case m.Late:
		d.labelled(p.DoThis, p.LateDo)
	case m.Owner:
		d.labelled(p.DoThis, m.ownerAction(w))
	default:
		d.labelled(p.DoThis, w.Company)
		if advice, ok := alerting.AdviceIn(string(m.Lang), a.Cause); ok {
			d.labelled(p.CheckFirst, advice.CheckFirst)
			d.labelled(p.Bring, advice.Bring)
		}
	}
	d.list(p.Cautions, m.cautions())
	d.list(p.AlsoWrong, m.others(a))
	if m.Chart != nil {
		d.chart(m.chartText())
	}
	d.link(p.SeenLabel, p.SeenIt, m.SeenURL)
	d.link(p.PageLabel, p.Page, m.PageURL)
}

// said is the sentence that the message begins with, and the house it is about.
func (m *Message) said(a Alarm, w Condition) string {
	if m.Owner {
		return m.Property + ": " + w.Plain
	}
	if a.Point != "" {
		return m.Property + ": " + w.Title + " (" + a.Point + ")."
	}
	return m.Property + ": " + w.Title + "."
}

func (m *Message) ownerAction(w Condition) string {
	if m.Phone == "" || w.Owner == callEnglish || w.Owner == callSpanish {
		return w.Owner
	}
	number := strings.ReplaceAll(Line(m.Phone), " ", "\u00a0") // a number stays on its line
	return w.Owner + " " + fmt.Sprintf(of(m.Lang).AndCall, number)
}

func (m *Message) facts(d *doc, a Alarm) {
	p := of(m.Lang)
	if !m.Owner {
		d.labelled(p.Priority, p.Priorities[a.Priority])
	}
	d.labelled(p.Since, at(m.Lang, a.RaisedAt, m.Zone))
	d.list(p.Measured, m.measured(a))
	if advice, ok := alerting.AdviceIn(string(m.Lang), a.Cause); ok {
		d.labelled(p.Likely, advice.Means)
	}
}

func (m *Message) measured(a Alarm) []string {
	p := of(m.Lang)
	var out []string
	for i, f := range a.Figures {
		line := QuantityName(m.Lang, f.Quantity)
		if f.Quantity == site.PumpRun {
			line = fmt.Sprintf(p.LastRun, f.Point)
		} else if f.Point != "" {
			line += " (" + f.Point + ")"
		}
		line += ": " + figure(f.Quantity, f.Value, m.Units, m.Lang)
		if a.Limit != nil && i == 0 {
			form := p.Limit["above"]
			if a.Limit.Below {
				form = p.Limit["below"]
			}
			line += ", " + fmt.Sprintf(form, units.Format(a.Limit.Dimension, a.Limit.Value, m.Units))
		}
		out = append(out, line+"; "+at(m.Lang, f.At, m.Zone))
	}
	if a.Rain24MM != nil {
		out = append(out, p.RainDay+": "+units.Format(units.Depth, *a.Rain24MM, m.Units))
	}
	if !a.Heard.IsZero() {
		out = append(out, p.Heard+": "+at(m.Lang, a.Heard, m.Zone))
	}
	return out
}

// cautions of the condition and the likeliest cause, each once; a message about
// something under a house is never without one.
func (m *Message) cautions() []string {
	if m.Kind == Returned || m.Kind == Corrected { // whatever was wrong is not
		return []string{alerting.CautionIn(string(m.Lang), alerting.DefaultCaution)}
	}
	var out []string
	add := func(c string) {
		if c != "" && !slices.Contains(out, c) {
			out = append(out, c)
		}
	}
	for _, a := range m.Alarms {
		add(alerting.CautionIn(string(m.Lang), alerting.ConditionCaution(a.Condition)))
		if advice, ok := alerting.AdviceIn(string(m.Lang), a.Cause); ok {
			add(advice.Caution)
		}
	}
	if len(out) == 0 {
		add(alerting.CautionIn(string(m.Lang), alerting.DefaultCaution))
	}
	return out
}

// others are the call-out's other alarms.
func (m *Message) others(first Alarm) []string {
	var out []string
	for _, a := range m.Alarms {
		if a.Condition == first.Condition && a.Point == first.Point {
			continue
		}
		line := For(m.Lang, a.Condition).Title
		if a.Point != "" {
			line += " (" + a.Point + ")"
		}
		out = append(out, line+", "+of(m.Lang).Priorities[a.Priority])
	}
	return out
}

func (m *Message) chartText() string {
	what := QuantityName(m.Lang, m.Chart.Quantity)
	if m.Chart.Point != "" {
		what += " (" + m.Chart.Point + ")"
	}
	text := fmt.Sprintf(of(m.Lang).ChartBelow, what, at(m.Lang, m.Chart.From, m.Zone), at(m.Lang, m.Chart.To, m.Zone))
	if m.Chart.Limited {
		text += " " + of(m.Lang).ChartLimit
	}
	return text
}

func (m *Message) returned(d *doc) {
	p := of(m.Lang)
	d.para(m.Property + ": " + p.ReturnIntro)
	var over, answered []string
	for _, a := range m.Alarms {
		line := For(m.Lang, a.Condition).Over
		if !a.OverAt.IsZero() {
			line += " (" + at(m.Lang, a.OverAt, m.Zone) + ")"
		}
		over = append(over, line)
		if a.AnsweredBy != "" {
			if s := fmt.Sprintf(p.Answered, Line(a.AnsweredBy), at(m.Lang, a.AnsweredAt, m.Zone)); !slices.Contains(answered, s) {
				answered = append(answered, s)
			}
		}
	}
	d.list("", over)
	if len(answered) == 0 && !m.Owner {
		answered = []string{p.NobodySaw}
	}
	for _, s := range answered {
		d.para(s)
	}
	if m.Owner {
		d.para(p.ReturnNothing)
	}
	d.list(p.Cautions, m.cautions())
	d.link(p.PageLabel, p.Page, m.PageURL)
}

func (m *Message) corrected(d *doc) {
	p, a := of(m.Lang), m.first()
	d.para(m.said(a, For(m.Lang, a.Condition)))
	d.labelled(p.Since, at(m.Lang, a.RaisedAt, m.Zone))
	d.para(p.Withdrawn)
	d.para(p.ReturnNothing)
	d.list(p.Cautions, m.cautions())
	d.link(p.PageLabel, p.Page, m.PageURL)
}

// foot ends every message.
func (r *Reader) foot(d *doc) {
	p := of(r.Lang)
	who := r.Company
	if who == "" {
		who = p.Contractor
	}
	if r.Phone != "" {
		who += ", " + r.Phone
	}
	d.small(Line(who) + ". " + p.NoLifeSafety)
	d.link(p.StopLabel, p.Stop, r.StopURL)
}

// textLength is how long a text message may be: two parts of 153 characters.
const textLength = 306

// Text puts the message into a text message.
func (m *Message) Text() string {
	p, a := of(m.Lang), m.first()
	w := For(m.Lang, a.Condition)
	var parts []string
	switch m.Kind {
	case Returned:
		parts = []string{m.Subject() + ".", p.ReturnIntro}
	case Corrected:
		parts = []string{m.Subject() + ".", p.Withdrawn}
	default:
		do := w.Company
		if m.Owner {
			do = m.ownerAction(w)
		}
		parts = []string{m.Subject() + ".", p.Since + " " + m.clock(a.RaisedAt) + ".", do}
		if c := m.cautions(); a.Priority >= alerting.High && len(c) > 0 {
			parts = append(parts, c[0])
		}
	}
	return cut(strings.Join(parts, " "), m.SeenURL)
}

func (m *Message) clock(t time.Time) string { return t.In(m.Zone).Format("15:04") }

// cut keeps a text message short, and the link in it whole.
func cut(text, link string) string {
	room := textLength
	if link != "" {
		room -= len(link) + 1
	}
	text = shorten(text, max(room, 60))
	if link == "" {
		return text
	}
	return text + " " + link
}

// shorten cuts a text to a length in characters.
func shorten(text string, most int) string {
	r := []rune(strings.Join(strings.Fields(text), " "))
	if len(r) > most {
		return string(r[:most-1]) + "…"
	}
	return string(r)
}
