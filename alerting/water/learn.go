package water

import "math"

const (
	rainMemoryMm   = 300.0 // depth (routed) after which old evidence has faded to 1/e
	dryMemoryHours = 60 * 24.0
	timingKeep     = 0.97 // memory of about 30 segments
	// surprise: a segment whose cycles are off by more than this many of its usual
	// spread, in ln, speaks of a change at the site; what was known fades faster then.
	surpriseSpreads = 2.5
	surpriseKeep    = 0.6
	// holdBelow: silence less likely than this is not learned from unless a test proves
	// the pump: it may be dead.
	holdBelow = 0.05
	// leastUnconnected keeps the door open for a site that is repaired.
	leastUnconnected = 1e-4
)

// notePeak keeps the greatest inflow that the bank expected while the pump was silent.
func (r *Response) notePeak() {
	m := float32(r.inflow())
	if r.SegmentCycles == 0 {
		r.SegmentFirst = m
	}
	r.SegmentPeak = max(r.SegmentPeak, m)
	r.CycleExpected = r.SegmentExpected
}

// noteFirst weighs what the first cycle of a storm says of whether rain reaches the
// basin.
func (r *Response) noteFirst(at Micros) {
	if r.StormCycles > 0 || !r.wet(at) || at < r.BlindTo {
		return
	}
	m := r.inflow()
	without := r.dryRate() * math.Max(0, float64(at-r.CycleAt)/microsPerHour)
	if m <= 0 || m < without {
		return // this one needed no rain
	}
	chance := math.Max(without/(m+without), 0.02)
	u := r.Unconnected
	r.setUnconnected(u * chance / (u*chance + 1 - u))
}

// learnSilence weighs a silence that is known to be true.
func (r *Response) learnSilence() {
	u, chance := r.Unconnected, r.First.beyond(r.inflow())
	r.setUnconnected(u / (u + (1-u)*chance))
}

// acceptSilence draws the conclusion from a storm that was learned from: the basin holds
// less than the one cycle that would have started the pump, whatever the bank expected.
func (r *Response) acceptSilence() {
	if r.Held {
		return
	}
	for i := range r.Modes {
		if m := r.Modes[i].inflow(); m > 1 {
			for k := range r.Modes[i].SinceMm {
				r.Modes[i].SinceMm[k] /= float32(m)
			}
		}
	}
}

func (r *Response) setUnconnected(u float64) {
	r.Unconnected = math.Min(math.Max(u, leastUnconnected), 0.999)
}

// dryRate is the cycles an hour that need no rain.
func (r *Response) dryRate() float64 {
	rate := 0.0
	for i := range r.Modes {
		rate += r.Weights[i] * r.Modes[i].gain(dry)
	}
	return rate
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
		if r.SegmentCycles == 0 && r.SegmentRainMm > 0 {
			r.learnSilence()
		}
		r.learnPeaks()
		r.learnSegment(at)
	}
}

// learnPeaks takes over how far the bank was off. What it expects while the pump is
// still silent counts as well: it is at least that far off.
func (r *Response) learnPeaks() {
	const telling = 1.5 // a segment of less expected inflow could not have shown anything
	r.notePeak()
	if r.SegmentExpected > telling || r.SegmentPeak > 1 {
		r.First.note(float64(r.SegmentFirst))
		r.Peak.note(float64(r.SegmentPeak))
	}
}

// learnSegment takes the segment's evidence over.
func (r *Response) learnSegment(at Micros) {
	keepRain := 1.0
	for i := range r.Modes {
		routed := 0.0
		for k := range paths {
			routed = math.Max(routed, float64(r.Modes[i].NewExposure[k]))
		}
		keepRain = math.Min(keepRain, math.Exp(-routed/rainMemoryMm))
	}
	if off := r.surprise(); off > 0 {
		keepRain *= surpriseKeep
		r.First.note(math.Exp(off))
		r.Peak.note(math.Exp(off))
	}
	keepDry := math.Exp(-float64(at-r.LearntAt) / (dryMemoryHours * microsPerHour))
	for i := range r.Modes {
		r.Modes[i].learn(keepRain, keepDry)
	}
	r.weigh()
	if r.SegmentRainMm > 0 {
		r.LearntStorms++
	}
	keep := float32(math.Exp(-float64(r.SegmentRainMm) / rainMemoryMm))
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
	if off > surpriseSpreads*math.Max(math.Sqrt(r.First.Variance), leastScale) {
		return off
	}
	return 0
}

func (r *Response) dropSegment(at Micros) {
	for i := range r.Modes {
		r.Modes[i].drop()
	}
	r.beginSegment(at)
}

func (r *Response) beginSegment(at Micros) {
	r.LearntAt = at
	r.SegmentCycles, r.SegmentExpected, r.SegmentRainMm = 0, 0, 0
	r.SegmentFirst, r.SegmentPeak, r.CycleExpected = 0, 0, 0
}
