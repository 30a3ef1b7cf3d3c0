package water

import "math"

const (
	dryMemoryHours = 60 * 24.0
	learntMemoryMm = 300.0 // of what a person is shown: depth after which it has faded to 1/e
	// surprise: a segment whose cycles are off by more than this, in spreads of the usual,
	// speaks of a change at the site: what was known of the gains counts for less then.
	surpriseSpreads = 3.0
	surpriseWidens  = 0.25
	// holdBelow: silence less likely than this is not learned from unless a test proves
	// the pump: it may be dead.
	holdBelow = 0.05
	// leastUnconnected keeps the door open for a site that is repaired.
	leastUnconnected = 1e-4
)

// dryInflow is what has come without rain since the last cycle, in cycles, as of the
// last full cell.
func (r *Response) dryInflow() float64 { return r.Dry.perHour() * float64(r.DrySince) }

// rainInflow is what rain has brought since the last cycle, in cycles.
func (r *Response) rainInflow() float64 {
	m, _ := r.Bank.lnInflow(0)
	return math.Exp(m)
}

// Bias is how far off, in ln, the bank's word has been of late: the storm's rain differs
// from the gauge's, the ground from every catchment of the bank. It is followed by a
// Kalman filter, forgotten within days, and starts afresh at 0.
type Bias struct {
	Mean, Variance float32
	At             Micros
}

const (
	biasSpread  = 0.30 // ln, when nothing is known of late
	biasHours   = 60.0 // in which it is forgotten to 1/e
	biasSingle  = 0.40 // ln: how far a single cycle is off beyond that
	greatestHop = 1.5  // ln: a cycle further off counts for no more
)

// as of a time.
func (b *Bias) as(now Micros) (mean, variance float64) {
	keep := math.Exp(-math.Max(0, float64(now-b.At)) / (biasHours * microsPerHour))
	return keep * float64(b.Mean), keep*keep*float64(b.Variance) + (1-keep*keep)*biasSpread*biasSpread
}

// note that at a time the bank was off by so much, in ln.
func (b *Bias) note(at Micros, off, variance float64) {
	mean, v := b.as(at)
	off = math.Min(math.Max(off-mean, -greatestHop), greatestHop)
	gain := v / (v + variance + biasSingle*biasSingle)
	b.Mean, b.Variance, b.At = float32(mean+gain*off), float32(v*(1-gain)), at
}

// departure is how far the inflow since the last cycle is from the one cycle that would
// have started the pump, in units of how far off the bank usually is at this site: above 0
// a working pump should have run.
func (r *Response) departure() float64 {
	mean, variance := r.Bank.lnInflow(0)
	bias, _ := r.Bias.as(r.Cell)
	return (mean - math.Max(0, bias)) / math.Sqrt(r.Bank.offSquare(variance))
}

// noteConnection weighs what a cycle says of whether rain reaches the basin: it is the
// likelier the more of what comes in just now should come from rain.
func (r *Response) noteConnection() {
	const leastPerHour = 1e-4
	r.SegmentRatio += float32(math.Log1p(r.Bank.outflow() / cellHours / math.Max(r.Dry.perHour(), leastPerHour)))
}

// learnConnection takes the segment's likelihood ratio of two Poisson processes over: one
// that rain drives as well, and one that goes on whatever the weather.
func (r *Response) learnConnection() {
	const temper, most = 0.5, 4 // cycles of one storm are far from independent
	ratio := math.Min(math.Max(temper*float64(r.SegmentRatio-r.SegmentFromRain), -most), most)
	u := r.Unconnected
	r.setUnconnected(u / (u + (1-u)*math.Exp(ratio)))
}

// learnSilence weighs a silence that is known to be true.
func (r *Response) learnSilence() {
	u, chance := r.Unconnected, r.stillSilent()
	r.setUnconnected(u / (u + (1-u)*chance))
}

func (r *Response) setUnconnected(u float64) {
	r.Unconnected = math.Min(math.Max(u, leastUnconnected), 0.999)
}

// closeSegment ends the segment at the start of the next storm, or after a day: it is
// learned from, held back or dropped.
func (r *Response) closeSegment(at Micros) {
	switch {
	case r.LearntAt < r.BlindTo:
		r.dropSegment(at)
	case r.Held:
	case r.SegmentCycles == 0 && r.wet(at) && r.silence() < holdBelow:
		r.Held = true
	default:
		switch {
		case r.SegmentCycles > 0:
			r.learnConnection()
		case r.SegmentRainMm > 0:
			r.learnSilence()
		}
		r.learnSegment(at)
	}
}

// learnSegment takes the segment's evidence over.
func (r *Response) learnSegment(at Micros) {
	widen := 0.0
	if off := r.surprise(); off > 0 {
		widen = surpriseWidens
	}
	if r.SegmentRainMm > 0 || r.SegmentCycles > 0 {
		r.Bank.learn(r.dryInflow(), widen)
	}
	r.Dry.learn(math.Exp(-float64(at-r.LearntAt) / (dryMemoryHours * microsPerHour)))
	if r.SegmentRainMm > 0 {
		r.LearntStorms++
	}
	keep := float32(math.Exp(-float64(r.SegmentRainMm) / learntMemoryMm))
	r.LearntMm = keep*r.LearntMm + r.SegmentRainMm
	r.LearntCycles = keep*r.LearntCycles + float32(r.SegmentCycles)
	r.beginSegment(at)
}

// surprise is by how much, in ln, the segment's cycles are off from what was expected,
// when that is far more than usual; else 0.
func (r *Response) surprise() float64 {
	if r.SegmentExpected < 2 && r.SegmentCycles < 3 {
		return 0
	}
	off := math.Abs(math.Log((float64(r.SegmentCycles) + 0.5) / (float64(r.SegmentExpected) + 0.5)))
	_, variance := r.Bank.lnInflow(r.dryInflow())
	const ownSpread = 0.20 // ln: what no bank knows of a site's water
	if off > surpriseSpreads*math.Sqrt(ownSpread*ownSpread+variance) {
		return off
	}
	return 0
}

func (r *Response) dropSegment(at Micros) {
	r.Bank.drop()
	r.Dry.drop()
	r.beginSegment(at)
}

func (r *Response) beginSegment(at Micros) {
	r.LearntAt = at
	r.SegmentCycles, r.SegmentExpected, r.SegmentRainMm = 0, 0, 0
	r.SegmentFromRain, r.SegmentRatio = 0, 0
}
