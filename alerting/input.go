package alerting

import (
	"math"
	"time"

	"underkeep/store/site"
)

// Description is everything the evaluator knows of one property.
type Description struct {
	Property string
	// Versions of the property file in order of the day from which they hold;
	// the first holds from the start.
	Versions []site.Property
	// Series and Gateways are indexed by the numbers that readings carry.
	Series   []Series
	Gateways []string
}

// Series is one quantity at one point. An empty point is the public weather
// service's station for this property.
type Series struct {
	Point    string
	Quantity site.Quantity
}

// Reading is one stored value. Times are Unix microseconds, so that a year of
// readings is walked without allocating.
type Reading struct {
	At       int64 // event time
	Received int64
	Value    float64 // in the quantity's stored unit; booleans are 0 or 1
	Series   uint16  // index into Description.Series
	Gateway  uint16  // index into Description.Gateways
}

// NoGateway marks a reading that no gateway brought: the weather service's, or one
// from a file. It says nothing about any gateway.
const NoGateway = math.MaxUint16

// Contact is a sign of a gateway: a message with readings, or its presence.
type Contact struct {
	At       int64 // receipt time, Unix µs
	Gateway  uint16
	Presence Presence
}

// Presence of a gateway; PresenceNone marks an ordinary message.
type Presence uint8

// Presence states.
const (
	PresenceNone Presence = iota
	PresenceOnline
	PresenceOffline
)

// Refusal is a reading that went to quarantine for its value or its time.
type Refusal struct {
	At         int64 // receipt time, Unix µs
	Point      string
	Quantity   site.Quantity
	Value      float64
	Impossible bool // the value was refused; else its time
	Gateway    uint16
}

// PumpTest is a recorded test of the primary pump that it passed.
type PumpTest struct {
	At int64 // event time, Unix µs
	// DrawDownS is how long a bucket test found the pump to take from float to
	// float, 0 where that was not measured. It is the commissioned draw-down
	// from then on, until a later test or another pump or basin in the
	// description.
	DrawDownS float64
}

// Gap is a time of receipt, Unix µs, in which nobody listened.
type Gap struct{ From, To int64 }

// Input of one step. Readings must be sorted by (At, Series) and must not lie
// before EvaluatedTo; for late data the caller rewinds to a checkpoint first
// and hands in everything since.
type Input struct {
	Readings []Reading
	Contacts []Contact // sorted by At
	Refusals []Refusal
	// Tests are sorted by At; those that the state has already may come again.
	Tests []PumpTest
	// Watermark is the receipt time up to which absence may be judged: the
	// clock in the live service. It never runs backwards.
	Watermark time.Time
	// Deaf are times in which the service itself did not listen, sorted:
	// silence in them is not held against anybody. Those that are accounted for
	// may come again.
	Deaf []Gap
	// CheckpointAfter asks for one more checkpoint, right after the readings of
	// this event time: the next piece of a gateway's backlog then costs little.
	CheckpointAfter time.Time
	// Ledger holds the alarms of this property that are open or ended after
	// the point from which this step evaluates; Changes refer to it.
	Ledger []Alarm
}

// Output of one step.
type Output struct {
	Changes []Change
	// WakeAt is the next receipt time at which absence alone could change
	// something; zero for never.
	WakeAt time.Time
	// Checkpoints passed in this step, oldest first.
	Checkpoints []Checkpoint
}

// Checkpoint is a state to rewind to: everything before At is in it.
type Checkpoint struct {
	At    time.Time
	State []byte
}

const (
	µsSecond = int64(1e6)
	µsMinute = 60 * µsSecond
	µsHour   = 60 * µsMinute
	µsDay    = 24 * µsHour
)

func timeAt(us int64) time.Time { return time.UnixMicro(us).UTC() }

func µsOf(seconds float64) int64 { return int64(seconds * 1e6) }
