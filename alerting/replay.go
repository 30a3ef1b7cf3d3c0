package alerting

import (
	"cmp"
	"fmt"
	"slices"
	"sort"
	"time"
)

// Replay drives an evaluator over messages in the order in which they arrived,
// as the live service does, with all history in memory.
type Replay struct {
	ev      *Evaluator
	history history
	tests   []PumpTest // so far, by At
	marks   []Checkpoint
	ledger  []Alarm
	changes []Change
	wake    time.Time
	now     time.Time
	scratch []Reading // the readings of the present message
}

// NewReplay starts a replay of a property that has seen nothing yet.
func NewReplay(d Description) *Replay {
	r := &Replay{ev: New(d)}
	r.ev.markEvery = replayMarks.Microseconds()
	return r
}

// replayMarks is the event time between the checkpoints of a replay. Encoding a
// state costs as much as the readings of an hour; with all history in memory a
// day is evaluated anew in a few milliseconds.
const replayMarks = 24 * time.Hour

// Message is what one message brought, checked and decoded.
type Message struct {
	Received time.Time
	Readings []Reading // in any order; not kept
	Contact  Contact
	Refusals []Refusal
	Tests    []PumpTest // recorded then, in any order
	// Deaf ends at Received: nobody listened in it. Such a message brings nothing else.
	Deaf []Gap
	// Silent marks a message that is no sign of life, such as a retained
	// presence seen again.
	Silent bool
}

// Receive takes the next message; messages come in order of receipt.
func (r *Replay) Receive(m Message) error {
	if len(m.Deaf) > 0 {
		r.sleep(timeAt(m.Deaf[0].From))
		r.step(Input{Watermark: m.Received, Deaf: m.Deaf})
		return nil
	}
	r.sleep(m.Received)
	r.now = m.Received
	in := Input{Watermark: m.Received, Refusals: m.Refusals}
	if !m.Silent {
		in.Contacts = []Contact{m.Contact}
	}
	fresh, earliest := r.admit(m.Readings), never
	if len(fresh) > 0 {
		earliest = fresh[0].At
		in.CheckpointAfter = timeAt(fresh[len(fresh)-1].At)
	}
	for _, t := range m.Tests {
		earliest = min(earliest, t.At)
		r.tests = append(r.tests, t)
	}
	slices.SortStableFunc(r.tests, func(a, b PumpTest) int { return cmp.Compare(a.At, b.At) })
	in.Readings, in.Tests = fresh, r.tests
	if earliest == never || !r.ev.Late(earliest) {
		in.CheckpointAfter = time.Time{}
		r.step(in)
		return nil
	}
	from, err := r.rewind(earliest)
	if err != nil {
		return err
	}
	in.Readings = r.history.since(from)
	r.step(in)
	return nil
}

// sleep judges silence up to a receipt time, as a timer of the live service does.
func (r *Replay) sleep(until time.Time) {
	for !r.wake.IsZero() && r.wake.Before(until) && r.wake.After(r.now) {
		r.step(Input{Watermark: r.wake})
	}
}

// Pass lets time go on to a receipt time at which nothing arrives.
func (r *Replay) Pass(until time.Time) {
	r.sleep(until)
	if until.After(r.now) {
		r.step(Input{Watermark: until})
	}
}

func (r *Replay) step(in Input) {
	in.Ledger = r.ledger
	out := r.ev.Step(in)
	r.ledger = Apply(r.ledger, out.Changes)
	r.changes = append(r.changes, out.Changes...)
	r.marks = append(r.marks, out.Checkpoints...)
	r.wake = out.WakeAt
	if !in.Watermark.Before(r.now) {
		r.now = in.Watermark
	}
}

// admit files readings that are new and returns them sorted; valid until the
// next message.
func (r *Replay) admit(rs []Reading) []Reading {
	r.scratch = append(r.scratch[:0], rs...)
	rs = r.scratch
	if !slices.IsSortedFunc(rs, byTime) {
		slices.SortStableFunc(rs, byTime)
	}
	fresh := rs[:0]
	for i := range rs {
		if r.history.file(rs[i]) {
			fresh = append(fresh, rs[i])
		}
	}
	return fresh
}

// rewind goes back to the last checkpoint at or before an event time.
func (r *Replay) rewind(at int64) (from int64, err error) {
	slices.SortStableFunc(r.marks, func(a, b Checkpoint) int { return a.At.Compare(b.At) })
	i := sort.Search(len(r.marks), func(i int) bool { return r.marks[i].At.UnixMicro() > at })
	r.marks = r.marks[:i]
	if i == 0 {
		return notYet, r.ev.Rewind(nil)
	}
	c := r.marks[i-1]
	if err := r.ev.Rewind(c.State); err != nil {
		return notYet, fmt.Errorf("replay from %s: %w", c.At.Format(time.RFC3339), err)
	}
	return c.At.UnixMicro(), nil
}

// Alarms are the alarms that stand, in order of their time; withdrawn ones are
// not among them.
func (r *Replay) Alarms() []Alarm {
	out := slices.DeleteFunc(slices.Clone(r.ledger), func(a Alarm) bool { return !a.WithdrawnAt.IsZero() })
	slices.SortStableFunc(out, func(a, b Alarm) int {
		if c := a.RaisedAt.Compare(b.RaisedAt); c != 0 {
			return c
		}
		if a.Condition != b.Condition {
			return compare(string(a.Condition), string(b.Condition))
		}
		return compare(a.Point, b.Point)
	})
	return out
}

func compare(a, b string) int {
	if a < b {
		return -1
	}
	if a > b {
		return 1
	}
	return 0
}

// Changes are all changes so far, in the order in which they were found.
func (r *Replay) Changes() []Change { return r.changes }

// Evaluator of the replay, for its figures and state.
func (r *Replay) Evaluator() *Evaluator { return r.ev }
