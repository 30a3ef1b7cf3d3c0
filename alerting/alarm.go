// Package alerting decides what is wrong under a house. Its evaluator is a
// pure, deterministic function of a property's description, its readings in
// event time and a carried state; it imports no database, network or clock.
package alerting

import (
	"time"

	"underkeep/store/site"
)

// Priority of an alarm, in rising order.
type Priority uint8

// The priorities of the contract; 0 is none.
const (
	Low Priority = iota + 1
	Medium
	High
	Urgent
)

var priorityNames = [...]string{"", "low", "medium", "high", "urgent"}

// String is the priority's name in the API and in rehearsals.
func (p Priority) String() string { return priorityNames[p] }

// ParsePriority finds a priority by its name.
func ParsePriority(name string) (Priority, bool) {
	for i, n := range priorityNames {
		if i > 0 && n == name {
			return Priority(i), true
		}
	}
	return 0, false
}

// Alarm is one episode of one condition at one point of one property, as the
// evaluator sees it. How people answered it (acknowledged, shelved ...) is not
// the evaluator's business and stands beside it in the store.
type Alarm struct {
	Property  string
	Condition site.Condition
	Point     string // "" for property-wide conditions
	Priority  Priority
	RaisedAt  time.Time // event time at which the definition, its delay included, was first met
	KnownAt   time.Time // receipt time at which it could be known
	ClearedAt time.Time // zero while it holds
	// PriorityChanges after raising, each a rise.
	PriorityChanges []PriorityChange
	Causes          []Cause // likeliest first
	CallOut         string  // alarms with the same call-out are one visit; "" while suppressed
	// SuppressedBy is the condition that explains this one; such an alarm was
	// never raised to anybody.
	SuppressedBy site.Condition
	// Remarks qualify the alarm, for example that a suspect sensor stands behind it.
	Remarks []string
	// WithdrawnAt (receipt time) and WithdrawnWhy say that later data removed it.
	WithdrawnAt  time.Time
	WithdrawnWhy string
}

// PriorityChange of an open alarm, in event time.
type PriorityChange struct {
	At       time.Time
	Priority Priority
}

// Cause is one likely explanation with what speaks for it.
type Cause struct {
	Cause    string   // machine name, for example "dehumidifier-tripped"
	Evidence []string // figures from the readings, in SI
}

// ChangeKind says what happened to an alarm in one evaluation.
type ChangeKind uint8

// The kinds of change.
const (
	Raised     ChangeKind = iota + 1 // new alarm, or a suppressed one that outlived its cause
	Escalated                        // priority rose
	Cleared                          // holds no more
	Moved                            // late data moved a time, a priority or a cause that was already announced
	Withdrawn                        // late data removed it
	Suppressed                       // began under a cause that explains it; announced to nobody
)

var changeNames = [...]string{"", "raised", "escalated", "cleared", "moved", "withdrawn", "suppressed"}

// String is the kind's name in the journal.
func (k ChangeKind) String() string { return changeNames[k] }

// Change is one thing to record about one alarm, in the order in which the
// evaluator found them.
type Change struct {
	Kind  ChangeKind
	Known time.Time // the watermark of the evaluation that found it
	// Ref identifies the alarm in the ledger handed in: its index, or the index
	// it gets when it is appended (Raised and Suppressed of an alarm not yet in
	// the ledger).
	Ref    int
	Alarm  Alarm  // as it now stands
	Reason string // why it moved or was withdrawn; else ""
}
