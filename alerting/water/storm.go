package water

import "errors"

// Micros is a time in microseconds since the Unix epoch, UTC.
type Micros = int64

const microsPerHour = 3600 * 1_000_000

// DefaultDryHours is the least dry time between two storms. 6 h is the common value
// (default of EPA SWMM statistics, from memory; published work tests 6 to 48 h).
const DefaultDryHours = 6.0

// Intensity class of rain by the AMS Glossary and FMH-1: light to 0.10 in/h (2.54
// mm/h), moderate to 0.30 in/h (7.62 mm/h), heavy above. The names of METAR -RA, RA, +RA.
type Intensity uint8

// The classes.
const (
	NoRain Intensity = iota
	Light
	Moderate
	Heavy
)

var intensityNames = [...]string{"none", "light", "moderate", "heavy"}

// String is the class's name.
func (i Intensity) String() string { return intensityNames[i] }

// Upper bounds of the classes, exact.
const (
	lightMaxMmPerHour    = 2.54
	moderateMaxMmPerHour = 7.62
)

// IntensityOf classifies a rate in mm/h; zero and less is no rain. The gap that the
// printed tables leave between 0.10 and 0.11 in/h is a rounding artefact and counts as
// moderate.
func IntensityOf(mmPerHour float64) Intensity {
	const rounding = 1e-9 // 0.10 in/h computed from hundredths of an inch is still light
	switch {
	case !(mmPerHour > 0):
		return NoRain
	case mmPerHour <= lightMaxMmPerHour+rounding:
		return Light
	case mmPerHour <= moderateMaxMmPerHour+rounding:
		return Moderate
	}
	return Heavy
}

// Storm is one spell of rain, as far as it is known.
type Storm struct {
	Start, End     Micros  // start of the first wet interval, end of the last
	DepthMm        float64 // rain so far
	PeakMmPerHour  float64 // highest rate of any one record's interval of at least 6 min
	AntecedentMm   float64 // wetness when it began: earlier rain, fading by half every 3 days
	Records        int
	Class          Intensity // of the peak
	MeanMmPerHour  float64
	DryHoursBefore float64 // since the end of the storm before; 0 for the first
}

// Storms separates rain into storms. The rule: the dry gap is measured from the end
// of the last wet interval to the start of the next; a gap of at least DryHours starts
// a new storm, anything shorter does not. A depth of 0 is dry; a trace (above 0, below
// 0.01 in) is wet.
type Storms struct {
	DryHours float64 // 0: DefaultDryHours
	Current  Storm
	Wetness  float64 // antecedent wetness at WetAt, mm
	WetAt    Micros
}

// ErrOutOfOrder says that rain was handed in that lies before what is already known.
var ErrOutOfOrder = errors.New("rain before what is already known")
