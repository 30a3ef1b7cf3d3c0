// Package store keeps what arrives and what follows from it in Postgres. It is
// the only package with SQL.
package store

import (
	"time"

	"underkeep/store/site"
)

// Delivery is what one MQTT message came to after decoding and checking. The
// message may be acknowledged once Record has returned without error.
type Delivery struct {
	Property string // from the topic; the payload cannot claim another
	Gateway  string
	Received time.Time
	Readings []Reading
	Refused  []Refusal
	Presence Presence
	// Topic and Payload of the raw message, kept in quarantine beside a record
	// that only the database refuses (a conflicting duplicate); may be empty.
	Topic   string
	Payload []byte
}

// Reading is one checked value of one quantity at one point, in the stored unit.
type Reading struct {
	Point    string
	Quantity site.Quantity
	At       time.Time // event time, µs
	Value    float64
	// AtReceipt marks a time that was relative or missing and was resolved
	// against the receipt.
	AtReceipt bool
}

// Presence of a gateway as its retained topic says.
type Presence uint8

// Presence states; PresenceNone when the message was no presence message.
const (
	PresenceNone Presence = iota
	PresenceOnline
	PresenceOffline
)

// Reason why something went to quarantine; a bounded set, used as metric label.
type Reason string

// The reasons for quarantine.
const (
	ReasonNotSenML        Reason = "not-senml"
	ReasonTooLarge        Reason = "too-large"
	ReasonUnknownProperty Reason = "unknown-property"
	ReasonUnknownPoint    Reason = "unknown-point"
	ReasonUnknownQuantity Reason = "unknown-quantity"
	ReasonWrongUnit       Reason = "wrong-unit"
	ReasonWrongType       Reason = "wrong-type" // number where a Boolean belongs, or the other way round
	ReasonImpossible      Reason = "impossible-value"
	ReasonTimeTooEarly    Reason = "time-before-installation"
	ReasonTimeAhead       Reason = "time-ahead"
	ReasonTimeRelative    Reason = "time-relative" // an event quantity without an absolute time
	ReasonConflict        Reason = "conflicting-duplicate"
	ReasonWrongTopic      Reason = "wrong-topic"
	ReasonUnknownGateway  Reason = "unknown-gateway"
	ReasonNotReadable     Reason = "not-readable" // a line of a file
	ReasonNotStorable     Reason = "not-storable" // the database refused the record
)

// Refusal is one thing that could not be used; it goes to quarantine with the
// raw payload so that it can be replayed after the cause is fixed.
type Refusal struct {
	Topic        string
	Payload      []byte // raw, cut to MaxQuarantinePayload
	PayloadBytes int    // before cutting
	PayloadHash  [32]byte
	Reason       Reason
	Detail       string // one line for a person
	// Where known, which series and time the refused record claimed; needed by
	// the sensor-suspect condition and by water refused only for its time.
	Point    string
	Quantity site.Quantity
	At       time.Time
	Value    float64
}

// MaxQuarantinePayload is how much of an unusable payload is kept.
const MaxQuarantinePayload = 64 << 10
