package water

import "math"

// SilenceProbability is the probability that a working pump would have stayed silent
// since the last cycle, given the rain known until now: 1 without rain in the last
// three days. It changes nothing.
//
// Rain has brought the inflow m (in cycles, by the bank) since then. A working pump
// would still be silent if the bank is that far off, or if rain does not reach this
// basin at all. How far off it usually is, is learned from earlier storms: the ln of the
// greatest inflow that the bank expected of a silent but working pump, as a Student
// distribution.
func (r *Response) SilenceProbability(now Micros) float64 {
	if !r.wet(now) || now < r.BlindTo {
		return 1
	}
	c := r.at(now)
	return c.silence()
}

// wet says whether rain is recent enough for silence to mean anything.
func (r *Response) wet(now Micros) bool {
	return r.Storms.Count > 0 && float64(now-r.Storms.Current.End) <= rainRestHours*microsPerHour
}

// silence is the probability as the state stands, over all modes: where they disagree,
// as they do after a long dry time, it stays high. Weights are squared, so that modes
// long known to be poor do not hold a clear case up.
func (r *Response) silence() float64 {
	cut := r.hindsight()
	p, sum := 0.0, 0.0
	for i := range r.Modes {
		w := r.Weights[i] * r.Weights[i]
		p += w * r.beyond(r.Modes[i].inflow()*cut)
		sum += w
	}
	return math.Min(1, r.Unconnected+(1-r.Unconnected)*p/sum)
}

// beyond is the probability that a working pump is still silent at an inflow, by the
// worse of the two records while a storm has not brought a cycle yet.
func (r *Response) beyond(cycles float64) float64 {
	p := r.Peak.beyond(cycles)
	if r.SegmentCycles == 0 {
		p = math.Max(p, r.First.beyond(cycles))
	}
	return p
}

// hindsight is by how much the bank's word is cut in this storm, since its cycles have
// already shown it to expect too much: by the greatest inflow between two of them, and
// by their number against the expected one.
func (r *Response) hindsight() float64 {
	if r.SegmentCycles == 0 {
		return 1
	}
	byNumber := float64(r.SegmentCycles+1) / float64(r.CycleExpected+1)
	return math.Min(1, byNumber) / math.Max(1, float64(r.SegmentPeak))
}

// inflow that rain has brought since the last cycle, in cycles, over all modes.
func (r *Response) inflow() float64 {
	m := 0.0
	for i := range r.Modes {
		m += r.Weights[i] * r.Modes[i].inflow()
	}
	return m
}

// The range of inflows that are told apart: a basin that was nearly full runs at any
// inflow below one cycle, which says nothing of the bank.
const leastInflow, greatestInflow = 0.7, 20

// note an inflow at which the pump was still silent.
func (s *Spread) note(cycles float64) {
	s.add(math.Log(math.Min(math.Max(cycles, leastInflow), greatestInflow)), timingKeep)
}

// beyond is the probability that a working pump is still silent at this inflow.
func (s Spread) beyond(cycles float64) float64 {
	if cycles <= leastInflow {
		return 1
	}
	return s.exceeds(math.Log(cycles))
}

// exceeds is the probability that the next observation is above x: the predictive
// Student distribution of a normal sample of this mean, variance and weight.
func (s Spread) exceeds(x float64) float64 {
	freedom := math.Max(s.Weight-1, 1)
	scale := math.Sqrt(s.Variance * (1 + 1/s.Weight) * s.Weight / freedom)
	return studentUpperTail((x-s.Mean)/math.Max(scale, leastScale), freedom)
}

// leastScale: no bank knows a site's water better than this (ln units).
const leastScale = 0.32

// studentUpperTail is P(T > t) by Wallace's transformation to a normal deviate (1959,
// from memory; within 0.002 of the exact tail for 3 degrees of freedom and more).
func studentUpperTail(t, freedom float64) float64 {
	z := (8*freedom + 1) / (8*freedom + 3) * math.Sqrt(freedom*math.Log1p(t*t/freedom))
	if t < 0 {
		z = -z
	}
	return math.Erfc(z/math.Sqrt2) / 2
}
