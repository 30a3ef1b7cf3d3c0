package alerting

import (
	"reflect"
	"slices"
	"time"

	"underkeep/store/site"
)

// reconcile compares what the evaluator now holds true with the ledger of what
// was recorded, and says what has to be recorded. resumedAt is the event time
// from which fresh was worked out: alarms of the ledger that ended before it
// are not in question.
func reconcile(ledger, fresh []Alarm, resumedAt int64, known time.Time) []Change {
	r := reconciler{ledger: ledger, known: known, next: len(ledger), taken: make([]bool, len(ledger)), from: resumedAt}
	match := make([]int, len(fresh))
	for i := range fresh {
		match[i] = r.exact(&fresh[i])
	}
	for i := range fresh {
		if match[i] < 0 {
			match[i] = r.nearest(&fresh[i])
		}
	}
	for i := range fresh {
		if match[i] >= 0 {
			r.join(fresh[i].CallOut, ledger[match[i]].CallOut)
		}
	}
	for i := range fresh {
		fresh[i].CallOut = r.joined(&fresh[i])
		if match[i] < 0 {
			r.begin(fresh[i])
		} else {
			r.follow(match[i], fresh[i])
		}
	}
	r.withdrawRest()
	return r.changes
}

type reconciler struct {
	ledger  []Alarm
	known   time.Time
	from    int64
	next    int
	taken   []bool
	changes []Change
	joins   map[string]string // call-outs that are part of one announced before
}

func (r *reconciler) join(callOut, announced string) {
	if callOut == "" || announced == "" || callOut == announced {
		return
	}
	if r.joins == nil {
		r.joins = map[string]string{}
	}
	r.joins[callOut] = announced
}

// joined is the call-out under which people hear of an alarm. A way out that
// died with the mains is known by its silence first; when it speaks again and
// tells of the mains, that is the same call.
func (r *reconciler) joined(a *Alarm) string {
	if a.Condition == site.MainsLost && a.SuppressedBy == "" && r.joins[a.CallOut] == "" {
		for i := range r.ledger {
			l := &r.ledger[i]
			if l.Condition == site.GatewaySilent && l.SuppressedBy == "" && l.WithdrawnAt.IsZero() && overlap(l, a) {
				r.join(a.CallOut, l.CallOut)
			}
		}
	}
	if announced := r.joins[a.CallOut]; announced != "" {
		return announced
	}
	return a.CallOut
}

func overlap(a, b *Alarm) bool {
	aBefore := !a.ClearedAt.IsZero() && a.ClearedAt.Before(b.RaisedAt)
	bBefore := !b.ClearedAt.IsZero() && b.ClearedAt.Before(a.RaisedAt)
	return !aBefore && !bBefore
}

func (r *reconciler) open(i int) bool {
	a := &r.ledger[i]
	if !a.ClearedAt.IsZero() && byReceipt(a) {
		return false // forwarding later does not withdraw a silence
	}
	return a.WithdrawnAt.IsZero() && (a.ClearedAt.IsZero() || a.ClearedAt.UnixMicro() > r.from)
}

// byReceipt says that an alarm was judged by receipt, not by event time.
func byReceipt(a *Alarm) bool {
	switch a.Condition {
	case site.GatewaySilent, site.PointSilent:
		return true
	case site.SensorSuspect:
		return len(a.Causes) > 0 && (a.Causes[0].Cause == causeRefused || a.Causes[0].Cause == causeClock)
	}
	return false
}

func same(a, b *Alarm) bool { return a.Condition == b.Condition && a.Point == b.Point }

func (r *reconciler) exact(a *Alarm) int {
	for i := range r.ledger {
		l := &r.ledger[i]
		if !r.taken[i] && l.WithdrawnAt.IsZero() && same(l, a) && l.RaisedAt.Equal(a.RaisedAt) {
			r.taken[i] = true
			return i
		}
	}
	return -1
}

// nearest takes the recorded alarm of the same kind whose time overlaps.
func (r *reconciler) nearest(a *Alarm) int {
	for i := range r.ledger {
		l := &r.ledger[i]
		if r.taken[i] || !r.open(i) || !same(l, a) {
			continue
		}
		if overlap(l, a) {
			r.taken[i] = true
			return i
		}
	}
	return -1
}

func (r *reconciler) add(k ChangeKind, ref int, a Alarm, why string) {
	r.changes = append(r.changes, Change{Kind: k, Known: r.known, Ref: ref, Alarm: a, Reason: why})
}

func (r *reconciler) begin(a Alarm) {
	ref := r.next
	r.next++
	kind := Raised
	if a.SuppressedBy != "" {
		kind = Suppressed
	}
	if a.RaisedAt.After(a.KnownAt) {
		a.KnownAt = a.RaisedAt
	}
	started := a
	started.ClearedAt, started.PriorityChanges = time.Time{}, nil
	if n := len(a.PriorityChanges); n > 0 || !a.ClearedAt.IsZero() {
		r.add(kind, ref, started, "")
		if n > 0 {
			started.PriorityChanges = a.PriorityChanges
			r.add(Escalated, ref, started, "")
		}
		if !a.ClearedAt.IsZero() {
			r.add(Cleared, ref, a, "")
		}
		return
	}
	r.add(kind, ref, a, "")
}

// follow compares a recorded alarm with how it now stands.
func (r *reconciler) follow(i int, a Alarm) {
	l := r.ledger[i]
	a.KnownAt = l.KnownAt
	if l.SuppressedBy != "" && a.SuppressedBy == "" {
		a.KnownAt = r.known
		r.add(Raised, i, a, "outlived "+string(l.SuppressedBy))
	} else if a.RaisedAt.Equal(l.RaisedAt) && a.SuppressedBy == l.SuppressedBy {
		a.Causes, a.CallOut, a.Remarks = l.Causes, l.CallOut, l.Remarks // what people were told stands
	} else {
		r.add(Moved, i, a, "later data changed when or why it began")
	}
	rises := len(a.PriorityChanges) > len(l.PriorityChanges)
	reopened := !l.ClearedAt.IsZero() && a.ClearedAt.IsZero()
	if rises {
		r.add(Escalated, i, a, "")
	} else if a.Priority != l.Priority || reopened ||
		!l.ClearedAt.IsZero() && !l.ClearedAt.Equal(a.ClearedAt) || !equalChanges(a.PriorityChanges, l.PriorityChanges) {
		r.add(Moved, i, a, "later data changed how it went on")
		return
	}
	if l.ClearedAt.IsZero() && !a.ClearedAt.IsZero() {
		r.add(Cleared, i, a, "")
	}
}

func equalChanges(a, b []PriorityChange) bool {
	return slices.EqualFunc(a, b, func(x, y PriorityChange) bool { return x.Priority == y.Priority && x.At.Equal(y.At) })
}

func (r *reconciler) withdrawRest() {
	for i := range r.ledger {
		if r.taken[i] || !r.open(i) {
			continue
		}
		a := r.ledger[i]
		a.WithdrawnAt, a.WithdrawnWhy = r.known, "readings that arrived later show that it did not hold"
		r.add(Withdrawn, i, a, a.WithdrawnWhy)
	}
}

// Apply brings a ledger up to date with changes; it returns the longer ledger.
func Apply(ledger []Alarm, changes []Change) []Alarm {
	for _, c := range changes {
		if c.Ref < len(ledger) {
			ledger[c.Ref] = c.Alarm
		} else {
			ledger = append(ledger, c.Alarm)
		}
	}
	return ledger
}

// Equal says whether two alarms say the same.
func (a Alarm) Equal(b Alarm) bool { return reflect.DeepEqual(a, b) }
