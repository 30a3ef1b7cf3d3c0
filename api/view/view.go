// Package view is what the API and the pages show and change, and the queries
// they need for it. It holds no SQL and no HTTP: package store answers the
// queries in the service, a fixed fleet answers them in tests.
package view

import (
	"errors"
	"time"

	"underkeep/alerting"
	"underkeep/store/site"
)

// ErrNotFound answers for an object that does not exist and for one that lies
// outside the scope alike, so that nobody learns which.
var ErrNotFound = errors.New("not found")

// ErrConflict is returned when an object's state does not allow what was asked.
var ErrConflict = errors.New("state does not allow this")

// Property is one installed property with what is wrong there now.
type Property struct {
	site.Property
	// LastReceived is when anything last arrived from it; zero: never.
	LastReceived time.Time
	// Open alarms, most urgent first; suppressed ones are left out.
	Open []Alarm
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
	Payload      []byte // cut to the stored size
	PayloadBytes int    // before cutting
	ReplayedAt   time.Time
	DiscardedAt  time.Time
}

// Open says that nobody has dealt with it yet.
func (q Quarantined) Open() bool { return q.ReplayedAt.IsZero() && q.DiscardedAt.IsZero() }

// Replayed says what became of a quarantined payload when it was tried again.
type Replayed struct {
	Stored  int // readings now stored
	Refused int // records refused again
}

// FileError is one thing wrong with a property file.
type FileError struct {
	Line     int
	Field    string
	Problem  string
	Accepted []string // accepted units or values, where that helps
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

// ErrBadCursor is returned for a position that this list never gave out.
var ErrBadCursor = errors.New("cursor is not one of this list")
