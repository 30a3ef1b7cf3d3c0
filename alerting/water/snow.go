package water

import "math"

// Snow holds precipitation back in frost and lets it go as melt, by the degree-day
// method. Without a temperature it holds nothing.
type Snow struct {
	AirC   float32
	AirAt  Micros  // of AirC; 0: never told
	PackMm float32 // water equivalent
}

const (
	// snowBelowC: precipitation at this air temperature and below is taken as snow. Half of
	// the falls at 1.0 °C are snow over the northern hemisphere (Jennings et al. 2018, Nature
	// Communications 9, 1148; from memory).
	snowBelowC = 1.0
	// meltMmPerDegreeDay is in the middle of the 1 to 8 mm a day and K that are published
	// (WMO, Snow cover measurements and areal assessment; from memory); above meltAboveC.
	meltMmPerDegreeDay = 3.0
	meltAboveC         = 0.0
	airHoldsFor        = 3 * microsPerHour // an older temperature is none
)

// holds says whether there is anything to reckon.
func (s *Snow) holds() bool { return s.AirAt != 0 || s.PackMm > 0 }

// step runs one cell with mm of precipitation and returns the water that reaches the
// ground. Where the temperature is not known, rain is rain and snow stays.
func (s *Snow) step(mm float64, cell Micros) float64 {
	if s.AirAt == 0 || cell-s.AirAt > airHoldsFor {
		return mm
	}
	if s.AirC <= snowBelowC {
		s.PackMm += float32(mm)
		mm = 0
	}
	melt := math.Min(float64(s.PackMm), math.Max(0, float64(s.AirC)-meltAboveC)*meltMmPerDegreeDay*cellHours/24)
	s.PackMm -= float32(melt)
	return mm + melt
}

// Air adds a reading of the air temperature outdoors. It decides what of later
// precipitation falls as snow, and how fast that melts.
func (r *Response) Air(at Micros, tempC float64) {
	if math.IsNaN(tempC) || tempC < -60 || tempC > 60 {
		return
	}
	r.Advance(at)
	r.Snow.AirC, r.Snow.AirAt = float32(tempC), at
}

// evaporationMm of open ground in one cell: 0.5 mm a day in mid-January to 4.5 in
// mid-July, as in the middle latitudes of the northern hemisphere (from memory; each
// catchment finds its own share).
func evaporationMm(at Micros) float64 {
	const day, year = 24 * microsPerHour, 365.2425
	season := 0.5 - 0.5*math.Cos(2*math.Pi*(float64(at)/day/year-14/year)) // the era began on a January 1st
	return (0.5 + 4*season) * cellHours / 24
}

// Rate is a count over hours, fading, with what the current segment adds.
type Rate struct{ Count, Hours, NewCount, NewHours float32 }

func (d *Rate) perHour() float64 {
	if d.Hours <= 0 {
		return 0
	}
	return float64(d.Count / d.Hours)
}

func (d *Rate) learn(keep float64) {
	d.Count, d.Hours = float32(keep)*d.Count+d.NewCount, float32(keep)*d.Hours+d.NewHours
	d.drop()
}

func (d *Rate) drop() { d.NewCount, d.NewHours = 0, 0 }
