// Package sealed comes to a verdict from the sealed days of an evidence bundle,
// and to nothing but what is in it: the judging is the same as from the store,
// only the way to the readings is another.
package sealed

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"time"

	"underkeep/api/warranty"
	"underkeep/store/evidence"
	"underkeep/store/site"
)

// Sections of a sealed day that a verdict reads: a line of JSON each, sealed
// with the day on which it was recorded.
const (
	SectionVisits  = "verdict-visits"
	SectionChecks  = "verdict-sensor-checks"
	SectionOutages = "verdict-outages"
	SectionTerms   = "verdict-terms"
)

// Days of a period with what else they rest on.
type Days struct {
	Property     string
	From, To     site.Date // To is the day after the last
	Records      []*evidence.Day
	Also         []*evidence.Day // outside the period, by day: for what was recorded on them
	Descriptions map[[32]byte][]byte
}

// Of are the days of a bundle whose records were shown to be in the log.
func Of(v *evidence.Verified) Days {
	return Days{Property: v.Bundle.Property, From: v.Bundle.From, To: v.Bundle.Through.AddDays(1), Records: v.Days, Also: v.Also, Descriptions: v.Bundle.Descriptions}
}

// Input is what a verdict on the days rests on, under given terms.
func (s Days) Input(terms []warranty.InForce) (warranty.Input, error) {
	b := &builder{in: warranty.Input{Property: s.Property, From: s.From, To: s.To, Terms: terms}, chunks: map[series][]warranty.Chunk{}, alarms: map[int]*warranty.Alarm{}}
	for _, d := range s.all() {
		add := b.add
		if d.Date.Before(s.From) || !d.Date.Before(s.To) {
			add = b.beside
		}
		if err := add(d, s.Descriptions); err != nil {
			return warranty.Input{}, fmt.Errorf("day %s: %w", d.Date, err)
		}
	}
	b.finish()
	return b.in, nil
}

// all are the records of the period and those beside it, by day.
func (s Days) all() []*evidence.Day {
	out := slices.Concat(s.Records, s.Also)
	slices.SortStableFunc(out, func(a, b *evidence.Day) int { return a.From.Compare(b.From) })
	return out
}

type series struct {
	point    string
	quantity site.Quantity
}

type builder struct {
	in     warranty.Input
	sum    [32]byte // of the description that stands
	chunks map[series][]warranty.Chunk
	order  []series
	alarms map[int]*warranty.Alarm
	nos    []int
}

func (b *builder) add(d *evidence.Day, descriptions map[[32]byte][]byte) error {
	if err := b.describe(d, descriptions); err != nil {
		return err
	}
	if n := len(b.in.Days); n == 0 || b.in.Days[n-1].Date != d.Date {
		b.in.Days = append(b.in.Days, warranty.Day{Date: d.Date, Witnessed: d.WitnessedUntil().UnixMicro(), Sealed: true})
	}
	for i := range d.Blocks {
		block := &d.Blocks[i]
		for q, quantity := range block.Quantities {
			k := series{block.Point, quantity}
			if _, ok := b.chunks[k]; !ok {
				b.order = append(b.order, k)
			}
			b.chunks[k] = append(b.chunks[k], warranty.Chunk{At: block.At, Received: block.Received, Values: block.Values[q]})
		}
	}
	for i := range d.Journal {
		b.journal(&d.Journal[i], d.Unwitnessed)
	}
	return b.sections(d)
}

// beside takes what was recorded on a day outside the period, and which
// description held then; nothing that was measured.
func (b *builder) beside(d *evidence.Day, descriptions map[[32]byte][]byte) error {
	if len(b.in.Days) == 0 { // before the period
		if err := b.describe(d, descriptions); err != nil {
			return err
		}
	}
	return b.sections(d)
}

// describe takes the description in force on the day.
func (b *builder) describe(d *evidence.Day, descriptions map[[32]byte][]byte) error {
	if d.Description.SHA256 == b.sum {
		return nil
	}
	p, err := site.ParseProperty(descriptions[d.Description.SHA256], d.Property)
	if err != nil {
		return fmt.Errorf("its description: %w", err)
	}
	v := warranty.Version{Property: p}
	if len(b.in.Versions) > 0 {
		v.From = d.Date
	}
	b.in.Versions, b.sum = append(b.in.Versions, v), d.Description.SHA256
	return nil
}

// journal takes a change of an alarm. One that came into the log when the delay
// was over changes nothing that was there in time: an alarm that is known by such
// entries alone is marked, and so is an answer.
func (b *builder) journal(e *evidence.JournalEntry, unwitnessed bool) {
	a, ok := b.alarms[e.Alarm]
	if !ok {
		a = &warranty.Alarm{ID: fmt.Sprintf("%s.%d", b.in.Property, e.Alarm), Answers: []warranty.Answer{}, Unwitnessed: unwitnessed}
		b.alarms[e.Alarm] = a
		b.nos = append(b.nos, e.Alarm)
	}
	if e.By != "evaluation" {
		a.Answers = append(a.Answers, warranty.Answer{At: e.At, Kind: e.Kind, By: e.By, Note: e.Why, Unwitnessed: unwitnessed})
	}
	if unwitnessed && !a.Unwitnessed {
		a.LateChange = true
		return
	}
	a.Unwitnessed = unwitnessed
	a.Condition, a.Point, a.Priority, a.RaisedAt, a.KnownAt = e.Condition, e.Point, e.Priority, e.RaisedAt, e.KnownAt
	a.Withdrawn, a.Explained, a.Causes, a.ClearedAt = !e.WithdrawnAt.IsZero(), e.SuppressedBy, e.Causes, nil
	if !e.ClearedAt.IsZero() {
		cleared := e.ClearedAt
		a.ClearedAt = &cleared
	}
}

// sections reads what was recorded on the day. A visit that is told of again,
// when it was signed off for example, stands as it was told last.
func (b *builder) sections(d *evidence.Day) error {
	for _, s := range d.Sections {
		for i, line := range s.Lines {
			var err error
			switch s.Name {
			case SectionVisits:
				err = latest(line, &b.in.Visits, func(v warranty.Visit) string { return v.ID })
			case SectionChecks:
				err = b.check(line)
			case SectionOutages:
				err = latest(line, &b.in.Outages, func(o warranty.Outage) string { return o.ID })
			}
			if err != nil {
				return fmt.Errorf("section %s, line %d: %w", s.Name, i+1, err)
			}
		}
	}
	return nil
}

// check takes a check, or takes one back that was withdrawn.
func (b *builder) check(line string) error {
	var w struct {
		ID        string     `json:"id"`
		Withdrawn *time.Time `json:"withdrawn"`
	}
	if err := json.Unmarshal([]byte(line), &w); err != nil {
		return err
	}
	if w.Withdrawn != nil {
		b.in.Checks = slices.DeleteFunc(b.in.Checks, func(c warranty.Check) bool { return c.ID == w.ID })
		return nil
	}
	return latest(line, &b.in.Checks, func(c warranty.Check) string { return c.ID })
}

func latest[T any](line string, list *[]T, id func(T) string) error {
	var x T
	if err := json.Unmarshal([]byte(line), &x); err != nil {
		return err
	}
	if i := slices.IndexFunc(*list, func(have T) bool { return id(have) == id(x) }); i >= 0 {
		(*list)[i] = x
		return nil
	}
	*list = append(*list, x)
	return nil
}

func (b *builder) finish() {
	for _, k := range b.order {
		b.in.Series = append(b.in.Series, warranty.Series{Point: k.point, Quantity: k.quantity, Chunks: warranty.MergeChunks(b.chunks[k])})
	}
	for _, no := range b.nos {
		b.in.Alarms = append(b.in.Alarms, *b.alarms[no])
	}
}

// assigned is a line of the section about terms.
type assigned struct {
	From  string `json:"from"`
	Terms string `json:"terms"`
}

// contradiction finds a sealed assignment of terms that the terms given do not
// follow: they are no part of the log, but what the log says of them binds.
func (s Days) contradiction(terms []warranty.InForce) error {
	last := map[string]assigned{} // of several from one day the latest stands
	for _, d := range s.all() {
		for _, sec := range d.Sections {
			for i, line := range sec.Lines {
				if sec.Name != SectionTerms {
					continue
				}
				var a assigned
				if err := json.Unmarshal([]byte(line), &a); err != nil {
					return fmt.Errorf("the record of %s, terms, line %d: %w", d.Date, i+1, err)
				}
				last[a.From] = a
			}
		}
	}
	for _, from := range slices.Sorted(maps.Keys(last)) {
		if err := follows(last[from], terms); err != nil {
			return err
		}
	}
	return nil
}

func follows(a assigned, terms []warranty.InForce) error {
	from, err := site.ParseDate(a.From)
	if err != nil {
		return err
	}
	name := ""
	for _, t := range terms {
		if !from.Before(t.From) {
			name = t.Terms.Name
		}
	}
	if name != a.Terms {
		return fmt.Errorf("by the sealed days terms %s were assigned from %s, the bundle has %q", a.Terms, a.From, name)
	}
	return nil
}

// Line is a line of a section.
func Line(what any) (string, error) {
	b, err := json.Marshal(what)
	return string(b), err
}
