// Package view is what the API and the pages show and change, and the queries
// they need for it. It holds no SQL and no HTTP: package store answers the
// queries in the service, a fixed fleet answers them in tests.
package view

import (
	"cmp"
	"errors"
	"slices"
	"time"

	"underkeep/alerting"
	"underkeep/store/site"
)

// ErrNotFound answers for an object that does not exist and for one that lies
// outside the scope alike, so that nobody learns which.
var ErrNotFound = errors.New("not found")

// ErrConflict is returned when an object's state does not allow what was asked.
var ErrConflict = errors.New("state does not allow this")

// ErrInvalid is returned for what cannot be meant: a position that the list
// never gave out, an answer without its reason.
var ErrInvalid = errors.New("not valid")

// ErrKeyReused is returned for an Idempotency-Key that stood over another
// request.
var ErrKeyReused = errors.New("this Idempotency-Key was used for another request")

// FieldError is an error that one field of what was asked is to blame for, by
// its name in the API.
type FieldError struct {
	Field   string
	Problem string // for people
	Err     error  // ErrInvalid, ErrConflict or ErrNotFound, or wraps one
}

// Error says what is wrong with the field.
func (e *FieldError) Error() string { return e.Problem }

// Unwrap gives the kind of error.
func (e *FieldError) Unwrap() error { return e.Err }

// Property is one installed property with what is wrong there now.
type Property struct {
	site.Property
	// LastReceived is when anything last arrived from it; zero: never.
	LastReceived time.Time
	// Open alarms that want a person, most urgent first: not shelved, out of
	// service or suppressed. Those that are over and were never acknowledged
	// come last.
	Open []Alarm
	// Failure is why the property could not be evaluated last; "" when it could.
	Failure string
}

// Priority of the worst alarm that holds; 0 when none does.
func (p Property) Priority() alerting.Priority {
	if len(p.Open) == 0 || p.Open[0].Over() {
		return 0
	}
	return p.Open[0].Priority
}

// RegionalEvents are those that its open alarms are part of, each once.
func (p Property) RegionalEvents() []string {
	out := []string{}
	for _, a := range p.Open {
		if a.RegionalEvent != "" && !slices.Contains(out, a.RegionalEvent) {
			out = append(out, a.RegionalEvent)
		}
	}
	return out
}

// Holding is how many alarms still hold.
func (p Property) Holding() int {
	n := 0
	for _, a := range p.Open {
		if !a.Over() {
			n++
		}
	}
	return n
}

// Reading is one stored value of one series, in the stored unit.
type Reading struct {
	At    time.Time
	Value float64
}

// Latest is the newest reading of one series.
type Latest struct {
	Point    string
	Quantity site.Quantity
	Reading
}

// Bucket sums up the readings of one series in [At, At+width).
type Bucket struct {
	At              time.Time
	Low, Mean, High float64
	Sum             float64
	Count           int
}

// State of an alarm as IEC 62682 names it.
type State string

// The states of an alarm.
const (
	Normal         State = "normal"
	Unacknowledged State = "unacknowledged"
	Acknowledged   State = "acknowledged"
	ReturnedUnack  State = "returned-to-normal-unacknowledged"
	Shelved        State = "shelved"
	Suppressed     State = "suppressed-by-design"
	OutOfService   State = "out-of-service"
)

// States lists every state, in the order of their definitions.
func States() []State {
	return []State{Normal, Unacknowledged, Acknowledged, ReturnedUnack, Shelved, Suppressed, OutOfService}
}

// Alarm is one alarm with how people answered it.
type Alarm struct {
	ID string
	alerting.Alarm
	State          State
	AcknowledgedAt time.Time // zero: not acknowledged
	AcknowledgedBy string
	ShelvedUntil   time.Time // zero: not shelved
	HoldReason     string    // why it is shelved or out of service
	RegionalEvent  string    // id of the event of several houses that it is part of; "" none
}

// Over says that the condition holds no more.
func (a Alarm) Over() bool { return !a.ClearedAt.IsZero() || !a.WithdrawnAt.IsZero() }

// MoreUrgent orders alarms: what still holds before what is over, then by
// priority, then the longest first.
func MoreUrgent(a, b Alarm) int {
	over := map[bool]int{true: 1}
	return cmp.Or(over[a.Over()]-over[b.Over()], cmp.Compare(b.Priority, a.Priority), a.RaisedAt.Compare(b.RaisedAt))
}

// Entry of an alarm's journal, oldest first.
type Entry struct {
	At   time.Time // when it was recorded
	Kind string    // raised, escalated, acknowledged, shelved ...
	By   string    // "" for the service itself
	Note string
}

// Answer is what a person does about an alarm.
type Answer struct {
	Kind  AnswerKind
	By    string
	Note  string
	At    time.Time
	Until time.Time // for ToShelve
}

// AnswerKind says which answer.
type AnswerKind string

// The answers to an alarm.
const (
	ToAcknowledge     AnswerKind = "acknowledge"
	ToShelve          AnswerKind = "shelve"
	ToUnshelve        AnswerKind = "unshelve"
	ToOutOfService    AnswerKind = "out-of-service"
	ToReturnToService AnswerKind = "return-to-service"
)

// Gateway of a property, as last heard.
type Gateway struct {
	ID           string
	Presence     string    // online | offline | unknown
	LastReceived time.Time // zero: never
	Revoked      bool      // its password fails
}

// Quarantined is one message or record that could not be used.
type Quarantined struct {
	ID           string
	Property     string // as the topic says; may be unknown to us
	Gateway      string
	ReceivedAt   time.Time
	Topic        string
	Reason       string
	Detail       string
	Point        string
	Quantity     string
	Payload      []byte // cut to the stored size; nil in lists
	PayloadBytes int    // before cutting
	Outcome      string // "" open | replayed | discarded
	ClosedAt     time.Time
	ClosedBy     string
}

// Open says that nobody has dealt with it yet.
func (q Quarantined) Open() bool { return q.Outcome == "" }

// Replayed says what became of a quarantined payload when it was tried again.
type Replayed struct {
	Stored  int // readings now stored
	Refused int // records refused again
}

// FileError is one thing wrong with a property file.
type FileError struct {
	Line    int
	Field   string
	Problem string
}

// FileErrors refuse a property file as a whole.
type FileErrors []FileError

// Error names the first thing wrong and how many more there are.
func (e FileErrors) Error() string {
	if len(e) == 0 {
		return "property file refused"
	}
	return e[0].Problem
}
