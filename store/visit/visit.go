// Package visit says what a visit to a property is: planned, made and recorded,
// with readings by hand, parts, photos, sensor checks and pump tests, and when
// the next is due. It imports no database, network or clock.
package visit

import (
	"regexp"
	"strconv"
	"strings"
	"time"

	"underkeep/store/site"
)

// Kind is what a visit is for.
type Kind string

// The kinds of visit.
const (
	HandOver       Kind = "hand-over"
	Service        Kind = "service"
	Repair         Kind = "repair"
	Inspection     Kind = "inspection"
	SensorChecking Kind = "sensor-check"
	PumpTesting    Kind = "pump-test"
)

// Kinds lists every kind.
func Kinds() []Kind {
	return []Kind{HandOver, Service, Repair, Inspection, SensorChecking, PumpTesting}
}

// State is how far a visit has come.
type State string

// The states of a visit. A done visit is signed off and changes no more.
const (
	Planned   State = "planned"
	UnderWay  State = "under-way"
	Done      State = "done"
	Cancelled State = "cancelled"
)

// States lists every state.
func States() []State {
	return []State{Planned, UnderWay, Done, Cancelled}
}

// Origin is what asked for a visit.
type Origin string

// The origins of a visit.
const (
	ByHand       Origin = "by-hand"
	ByTerms      Origin = "terms"
	UnprovenPump Origin = "unproven-pump"
	ByAlarm      Origin = "alarm"
)

// Work that a visit did, for the service plan.
type Work string

// The works that the service plan asks for. Pump tests and sensor checks are
// found by their records, not here.
const (
	WorkFilter       Work = "filter"       // dehumidifier filter cleaned or changed
	WorkDrain        Work = "drain"        // drain line and check valve looked at
	WorkLiner        Work = "liner"        // liner, seams and vents looked at
	WorkDehumidifier Work = "dehumidifier" // coils and condensate looked at
	WorkBattery      Work = "battery"      // a battery changed
	WorkSump         Work = "sump"         // basin cleaned, floats moved by hand
)

// Works lists every work.
func Works() []Work {
	return []Work{WorkFilter, WorkDrain, WorkLiner, WorkDehumidifier, WorkBattery, WorkSump}
}

// Visit is one visit as it stands.
type Visit struct {
	ID       string // "heron-07.v3": the property's third
	Property string
	Name     string // of the property
	Area     string // of the property
	No       int32
	Kind     Kind
	State    State
	Origin   Origin
	Reason   string     // why it is planned
	DueOn    *site.Date // in the property's zone; nil: no day agreed
	Crew     string     // "" none
	// AssignedTo is a person's number, 0 nobody yet.
	AssignedTo   int32
	AssignedName string
	Alarm        string // id of the alarm that asked for it, ""
	PlannedAt    time.Time
	PlannedBy    string
	StartedAt    time.Time // zero: not yet
	StartedBy    string
	EndedAt      time.Time // signed off or cancelled; zero: neither
	EndedBy      string
	Findings     string
	Work         []Work
	Revision     int32 // rises with every change
	ChangedAt    time.Time
}

// Open says that the visit is still to be done or ended.
func (v *Visit) Open() bool { return v.State == Planned || v.State == UnderWay }

// Record is a visit with everything that was recorded at it.
type Record struct {
	Visit
	Readings []HandReading
	Parts    []Part
	Photos   []Photo // without their images
	Checks   []SensorCheck
	Tests    []PumpTest
	Holds    []Hold
	Journal  []Entry // oldest first
}

// HandReading is a reading that somebody took with an instrument.
type HandReading struct {
	No       int32
	At       time.Time
	Quantity Quantity
	Place    string  // where, in words
	Value    float64 // in Unit
	Unit     string  // the stored unit of the quantity
	Remark   string
}

// Part at a visit.
type Part struct {
	No     int32
	Part   string
	Pieces int32
	Serial string // "" without
}

// Photo taken at a visit; Image and Thumb only where they were asked for.
type Photo struct {
	ID            string // "heron-07.p5"
	No            int32
	Visit         string // id of the visit
	AddedAt       time.Time
	Caption       string
	MediaType     string // image/jpeg | image/png
	Width, Height int
	SHA256        [32]byte // of Image
	Image, Thumb  []byte
}

// SensorCheck is a humidity sensor held over a saturated salt (ASTM E104). All
// humidities in %RH. From At on, a reading minus OffsetPct is the corrected
// one.
type SensorCheck struct {
	ID                string // "heron-07.c2"
	No                int32
	Property          string
	Visit             string // id, "" outside any visit
	At                time.Time
	RecordedAt        time.Time
	RecordedBy        string
	Person            int32 // 0: a program
	Point             string
	Serial            string
	Salt              string // chemical formula
	TempC             float64
	ReadPct           float64
	ExpectedPct       float64
	SaltLimitPct      float64 // ± of the salt's RH as published
	AccuracyPct       float64 // ± of the sensor as described
	TolerancePct      float64
	Within            bool // |offset| ≤ tolerance
	OffsetPct         float64
	OffsetStandardPct float64 // standard uncertainty (JCGM 100)
	Remark            string
	WithdrawnAt       time.Time // zero: stands
	WithdrawnBy       string
	WithdrawnWhy      string
}

// PumpTest is a test of a sump pump by hand. A bucket test pours water until
// the pump starts: PouredL is then what lies between the floats, DrawDownS how
// long the pump takes for it while nothing flows in.
type PumpTest struct {
	ID           string // "heron-07.t1"
	No           int32
	Property     string
	Visit        string // id, "" outside any visit
	At           time.Time
	RecordedAt   time.Time
	RecordedBy   string
	Person       int32  // 0: a program
	Pump         string // primary | backup
	Method       string // float | bucket
	Ran          bool
	PouredL      float64 // 0 but for a bucket test that ran
	DrawDownS    float64 // likewise
	Remark       string
	WithdrawnAt  time.Time // zero: stands
	WithdrawnBy  string
	WithdrawnWhy string
}

// FlowLps is what the pump delivered in a bucket test, 0 without one.
func (t *PumpTest) FlowLps() float64 {
	if t.DrawDownS == 0 {
		return 0
	}
	return t.PouredL / t.DrawDownS
}

// Hold is a condition that a visit put out of service.
type Hold struct {
	Condition site.Condition
	Point     string
	From      time.Time
	Until     time.Time
	By        string
	Reason    string
}

// Entry is one line of a visit's journal.
type Entry struct {
	At     time.Time
	Kind   string // planned, changed, started, recorded, reading, part, photo, sensor-check, pump-test, withdrawn, out-of-service, returned-to-service, done, cancelled
	Actor  string
	Why    string
	Ref    int32  // number of the reading, part, photo, check or test; 0 none
	Detail []byte // JSON, what changed
}

// nameForm is that of a property (the wire contract).
var nameForm = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)

// PartID is the id of a numbered thing of a property: v visit, p photo, c
// sensor check, t pump test.
func PartID(property string, letter byte, no int32) string {
	if no == 0 {
		return ""
	}
	return property + "." + string(letter) + strconv.Itoa(int(no))
}

// ParsePartID takes such an id apart; the number is at least 1.
func ParsePartID(id string, letter byte) (property string, no int32, ok bool) {
	property, number, ok := strings.Cut(id, ".")
	if !ok || len(number) < 2 || number[0] != letter || !nameForm.MatchString(property) {
		return "", 0, false
	}
	n, err := strconv.ParseInt(number[1:], 10, 32)
	if err != nil || n < 1 || strconv.FormatInt(n, 10) != number[1:] {
		return "", 0, false
	}
	return property, int32(n), true
}

// ID is the id of a property's visit number no.
func ID(property string, no int32) string { return PartID(property, 'v', no) }
