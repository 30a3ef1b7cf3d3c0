package water

import (
	"fmt"
	"math"
)

// Micros is a time in microseconds since the Unix epoch, UTC.
type Micros = int64

const microsPerHour = 3600 * 1_000_000

// DefaultDryHours is the least dry time between two storms. 6 h is the common value
// (default of EPA SWMM statistics, from memory; published work tests 6 to 48 h).
const DefaultDryHours = 6.0

// Intensity class of rain by the AMS Glossary and FMH-1: light to 0.10 in/h (2.54
// mm/h), moderate to 0.30 in/h (7.62 mm/h), heavy above. The classes of METAR -RA, RA,
// +RA. Other schemes differ.
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
	const rounding = 1e-9 // 0.10 in/h worked out from hundredths of an inch is still light
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

// leastRateMicros is the shortest interval that a rate is taken over: 6 min, as in the
// AMS criterion; one tip of a gauge within a second is no downpour.
const leastRateMicros = microsPerHour / 10

// antecedentHalfLifeHours is how fast earlier rain fades from AntecedentMm (common
// practice, no source: antecedent indices use a factor of 0.8 to 0.95 a day; 0.79 here).
const antecedentHalfLifeHours = 72.0

// Storm is one spell of rain, as far as it is known.
type Storm struct {
	Start, End    Micros  // start of the first wet interval, end of the last
	DepthMm       float64 // rain so far
	PeakMmPerHour float64 // highest rate of one record, over at least 6 min
	AntecedentMm  float64 // wetness when it began: earlier rain, fading by half in 3 days
	DryHours      float64 // from the end of the storm before; 0 for the first
}

// Hours from first to last rain.
func (s Storm) Hours() float64 { return float64(s.End-s.Start) / microsPerHour }

// Class of the storm's peak.
func (s Storm) Class() Intensity { return IntensityOf(s.PeakMmPerHour) }

// MeanMmPerHour over the whole storm, its short dry gaps included.
func (s Storm) MeanMmPerHour() float64 {
	if s.End <= s.Start {
		return 0
	}
	return s.DepthMm / s.Hours()
}

// Storms separates rain into storms. The rule: the dry gap is measured from the end of
// the last wet interval to the start of the next; a gap of at least LeastDryHours
// begins a new storm, anything shorter does not. A depth of 0 is dry; a trace (above 0,
// below 0.01 in) is wet. The zero value is ready.
type Storms struct {
	LeastDryHours float64 // 0: DefaultDryHours
	Current       Storm   // the storm going on or, when it is over, the last one
	Count         int     // storms begun
	WetnessMm     float64 // antecedent wetness at WetAt
	WetAt         Micros
}

// Add one record of rain: mm over the interval from start to end. began says that a
// new storm starts with it; the storm before is then complete and returned as over
// (zero for the first). Records must come by rising time; an interval that begins
// before the last one ended is cut there.
func (s *Storms) Add(start, end Micros, mm float64) (began bool, over Storm, err error) {
	if err := notNegative("rain", mm); err != nil {
		return false, Storm{}, err
	}
	if end < start || (s.Count > 0 && end < s.Current.End) {
		return false, Storm{}, fmt.Errorf("rain from %d to %d is before the rain known until %d", start, end, s.Current.End)
	}
	if mm == 0 {
		return false, Storm{}, nil
	}
	if s.Count > 0 {
		start = max(start, s.Current.End)
	}
	if began = s.begins(start); began {
		over = s.Current
		s.begin(start)
	}
	hours := float64(max(end-start, leastRateMicros)) / microsPerHour
	s.Current.End = end
	s.Current.DepthMm += mm
	s.Current.PeakMmPerHour = math.Max(s.Current.PeakMmPerHour, mm/hours)
	s.WetnessMm, s.WetAt = s.Wetness(end)+mm, end
	return began, over, nil
}

// begins says whether rain that starts now belongs to a new storm.
func (s *Storms) begins(start Micros) bool {
	return s.Count == 0 || float64(start-s.Current.End) >= s.dryHours()*microsPerHour
}

func (s *Storms) begin(start Micros) {
	next := Storm{Start: start, End: start, AntecedentMm: s.Wetness(start)}
	if s.Count > 0 {
		next.DryHours = float64(start-s.Current.End) / microsPerHour
	}
	s.Current = next
	s.Count++
}

func (s *Storms) dryHours() float64 {
	if s.LeastDryHours > 0 {
		return s.LeastDryHours
	}
	return DefaultDryHours
}

// Raining says whether the current storm still goes on at now: rain that started now
// would belong to it.
func (s *Storms) Raining(now Micros) bool { return s.Count > 0 && !s.begins(now) }

// Wetness is the rain so far, fading by half in 3 days, in mm.
func (s *Storms) Wetness(now Micros) float64 {
	if s.Count == 0 || now <= s.WetAt {
		return s.WetnessMm
	}
	return s.WetnessMm * math.Exp2(-float64(now-s.WetAt)/(antecedentHalfLifeHours*microsPerHour))
}
