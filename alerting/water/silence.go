package water

import "math"

// SilenceProbability is the probability that a working pump would have stayed silent
// since the last cycle, given the rain known until now: 1 without rain in the last
// three days. It changes nothing.
//
// Rain has brought the inflow m (in cycles, by the bank) since then. A working pump
// would still be silent if the bank is that far off, or if rain does not reach this
// basin at all. How far off it usually is, is learned from earlier storms: the greatest
// departure that the bank had of a silent but working pump, as a Student distribution.
func (r *Response) SilenceProbability(now Micros) float64 {
	if !r.wet(now) || now < r.BlindTo {
		return 1
	}
	if r.uptodate(now) {
		if r.Bank.inflow() <= 1 { // no departure, then
			return 1
		}
		return r.silence()
	}
	c := r.at(now)
	return c.silence()
}

// wet says whether rain is recent enough for silence to mean anything.
func (r *Response) wet(now Micros) bool {
	return r.Storms.Count > 0 && float64(now-r.Storms.Current.End) <= rainRestHours*microsPerHour
}

// silence is the probability as the state stands. Where the catchments disagree, as they
// do after a long dry time, the departure is small and the probability high.
func (r *Response) silence() float64 {
	z, m := r.departure(r.Cell)
	if m <= 0 {
		return 1
	}
	p := r.Peak.beyond(z)
	if r.SegmentCycles == 0 {
		p = math.Max(p, r.First.beyond(z))
	}
	return math.Min(1, r.Unconnected+(1-r.Unconnected)*p)
}

// ownSpread is what no bank knows of a site's water (ln units), beyond what its
// catchments disagree on.
const ownSpread = 0.20

// The range of departures that are told apart: a basin that was nearly full runs at any
// inflow below one cycle, which says nothing of the bank.
const leastDeparture, greatestDeparture = -1.0, 8.0

const (
	// heavyTail: the peaks of storms lie further out than a sample of normal ones would
	// (measured on the sites of development, as are the next two).
	heavyTail = 2.4
	// A departure hardly above the greatest that this site has shown with a working pump,
	// fading to 1/e in some 300 segments, is no proof, however few came near it.
	topKeep, topMargin, topChance = 0.997, 0.6, 0.02
)

// note a departure at which the pump was still silent.
func (s *Spread) note(z float64) {
	z = math.Min(math.Max(z, leastDeparture), greatestDeparture)
	s.add(z, timingKeep)
	s.Top = math.Max(z, s.Top*topKeep)
}

// beyond is the probability that a working pump is still silent at this departure.
func (s Spread) beyond(z float64) float64 {
	if z <= 0 {
		return 1
	}
	p := s.exceeds(z)
	if z <= s.Top+topMargin {
		p = math.Max(p, topChance)
	}
	return p
}

// exceeds is the probability that the next observation is above x: the predictive
// Student distribution of a normal sample of this mean, variance and weight.
func (s Spread) exceeds(x float64) float64 {
	freedom := math.Max(s.Weight-1, 1)
	scale := heavyTail * math.Sqrt(s.Variance*(1+1/s.Weight)*s.Weight/freedom)
	return studentUpperTail((x-s.Mean)/math.Max(scale, leastScale), freedom)
}

// leastScale of departures: no record of a few storms makes the bank better than it says.
const leastScale = 0.85

// studentUpperTail is P(T > t) by Wallace's transformation to a normal deviate (1959,
// from memory; within 0.002 of the exact tail for 3 degrees of freedom and more).
func studentUpperTail(t, freedom float64) float64 {
	z := (8*freedom + 1) / (8*freedom + 3) * math.Sqrt(freedom*math.Log1p(t*t/freedom))
	if t < 0 {
		z = -z
	}
	return math.Erfc(z/math.Sqrt2) / 2
}
