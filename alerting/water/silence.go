package water

import "math"

// SilenceProbability is the probability that a working pump would have stayed silent
// since the last cycle, given the rain known until now: 1 without rain in the last
// three days. It changes nothing.
//
// Rain has brought the inflow m (in cycles, by the bank) since then. A working pump
// would still be silent if the bank is that far off, or if rain does not reach this
// basin at all. How far off it is, is taken as log-normal; its spread is what the site's
// own storms have shown, so that a site that is easy to foretell is called early and a
// capricious one with caution, and how far the catchments disagree just now.
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
	return math.Min(1, r.Unconnected+(1-r.Unconnected)*r.stillSilent())
}

// stillSilent is the probability that a working pump that rain reaches is silent.
func (r *Response) stillSilent() float64 {
	z := r.departure()
	if z <= 0 {
		return 1
	}
	return math.Erfc(z/math.Sqrt2) / 2
}

const (
	// leastOff: no record of a few storms makes the bank better than this (ln).
	leastOff = 0.1
	// Weights of the site's own errors and of the disagreement of its catchments. Such a
	// bank is too much of one mind, and errors have longer tails than a normal curve, the
	// longer the greater they are; all three were fitted on the sites of development, for
	// as many false calls as are allowed.
	ownErrors, ownTail, disagreement = 1.5, 1.0, 2.0
)

// offSquare is the variance (ln) of the inflow about what the bank expects, which the
// catchments disagree on by so much.
func (b *Bank) offSquare(variance float64) float64 {
	own := float64(b.OffSquare)
	return leastOff*leastOff + ownErrors*own*(1+ownTail*own) + disagreement*variance
}
