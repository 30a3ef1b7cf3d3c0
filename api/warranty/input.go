package warranty

import (
	"math"
	"time"

	"underkeep/store/site"
)

// Input is everything that a verdict rests on. It is the same from the store
// and from the sealed days of a bundle.
type Input struct {
	Property string
	Versions []Version // of the description, by the day from which they hold; the first from the start
	From, To site.Date // days of the property's zone; To is the day after the last
	Terms    []InForce // by day
	Days     []Day     // of the period, in order; a day that is missing has no data
	Series   []Series
	Alarms   []Alarm
	Visits   []Visit
	Checks   []Check
	Outages  []Outage
}

// Version of a property's description.
type Version struct {
	From     site.Date // zero: from the start
	Property site.Property
}

// Day says what counts as witnessed: what was received later does not.
type Day struct {
	Date      site.Date
	Witnessed int64 // Unix µs: received at or after it proves nothing
	Sealed    bool
}

// Series is one quantity at one point.
type Series struct {
	Point    string
	Quantity site.Quantity
	// Chunks in order of time, without overlap. Columns of several series may
	// share their times; a value that is not there is NaN.
	Chunks []Chunk
}

// Chunk is a run of readings, column by column. Times are Unix µs.
type Chunk struct {
	At, Received []int64
	Values       []float64
}

// Alarm as it stands, with the answers to it.
type Alarm struct {
	ID        string     `json:"id"`
	Condition string     `json:"condition"`
	Point     string     `json:"point,omitempty"`
	Priority  string     `json:"priority"`
	RaisedAt  time.Time  `json:"raised_at"`
	KnownAt   time.Time  `json:"known_at"`
	ClearedAt *time.Time `json:"cleared_at,omitempty"`
	Withdrawn bool       `json:"withdrawn,omitempty"`
	Explained string     `json:"suppressed_by,omitempty"`
	Causes    []string   `json:"causes,omitempty"`
	Answers   []Answer   `json:"answers"`
	// Unwitnessed: nobody outside could have seen it in time; it is told, and
	// proves nothing. LateChange: so was a later change of it, and it is shown as it
	// was before.
	Unwitnessed bool `json:"unwitnessed,omitempty"`
	LateChange  bool `json:"late_change,omitempty"`
}

// Answer is what somebody did about an alarm.
type Answer struct {
	At   time.Time `json:"at"`
	Kind string    `json:"kind"`
	By   string    `json:"by"`
	Note string    `json:"note,omitempty"`
	// Unwitnessed: it came into the log when the seal delay was over.
	Unwitnessed bool `json:"unwitnessed,omitempty"`
}

// Visit that took place.
type Visit struct {
	ID       string    `json:"id"`
	Kind     string    `json:"kind"`
	By       string    `json:"by"` // one of Parties
	From     time.Time `json:"from"`
	To       time.Time `json:"to"`
	Work     []string  `json:"work,omitempty"` // parts of the installation that were worked on
	Findings string    `json:"findings,omitempty"`
}

// Check of a humidity sensor over a saturated salt.
type Check struct {
	ID         string    `json:"id"`
	At         time.Time `json:"at"`
	RecordedAt time.Time `json:"recorded_at,omitzero"` // zero: at once
	// CountsFrom is the time of recording where that was after the seal delay of the
	// day of the check: nobody may mend the past by a check that nobody saw in time.
	// A verdict fills it in.
	CountsFrom time.Time `json:"counts_from,omitzero"`

	Point             string  `json:"point"`
	Serial            string  `json:"serial,omitempty"`
	Salt              string  `json:"salt"`
	TempC             float64 `json:"temp_c"`
	ReadPct           float64 `json:"read_pct"`
	ExpectedPct       float64 `json:"expected_pct"`
	OffsetPct         float64 `json:"offset_pct"`          // read minus expected
	OffsetStandardPct float64 `json:"offset_standard_pct"` // its standard uncertainty
}

// from is when the check begins to count.
func (c *Check) from() time.Time {
	if c.CountsFrom.IsZero() {
		return c.At
	}
	return c.CountsFrom
}

// Outage that somebody reported: no power from the grid.
type Outage struct {
	ID         string    `json:"id"`
	From       time.Time `json:"from"`
	To         time.Time `json:"to"`
	ReportedAt time.Time `json:"reported_at"`
	By         string    `json:"by"`
	Note       string    `json:"note,omitempty"`
}

const (
	µsSecond = int64(1e6)
	µsHour   = 3600 * µsSecond
)

func µs(d time.Duration) int64     { return d.Microseconds() }
func timeOf(at int64) time.Time    { return time.UnixMicro(at).UTC() }
func hoursOf(micros int64) float64 { return float64(micros) / float64(µsHour) }

// roundTo keeps figures free of the dust of floating point.
func roundTo(v, unit float64) float64 {
	per := math.Round(1 / unit)
	return math.Round(v*per) / per
}
