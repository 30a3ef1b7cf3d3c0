package warranty

import "math"

// Outcome of a term or of a whole verdict.
type Outcome string

// The outcomes.
const (
	Kept      Outcome = "kept"
	NotProven Outcome = "not-proven"
	NotKept   Outcome = "not-kept"
)

// Outcomes lists every outcome, the best first.
func Outcomes() []Outcome { return []Outcome{Kept, NotProven, NotKept} }

func (o Outcome) rank() int {
	switch o {
	case NotKept:
		return 2
	case NotProven:
		return 1
	}
	return 0
}

// worse of two outcomes: one breach outweighs any proof, one open question any
// number of kept terms.
func worse(a, b Outcome) Outcome {
	if b.rank() > a.rank() || a == "" {
		return b
	}
	return a
}

// tie is how close two figures are that differ by rounding only: sums of hours
// and shares are made of microseconds.
const tie = 1e-9

// atMost judges a figure that must not exceed a limit by its two cases.
func atMost(best, worst, limit float64) Outcome {
	switch {
	case worst <= limit+tie:
		return Kept
	case best > limit+tie:
		return NotKept
	}
	return NotProven
}

// K is the factor of the guard band: the normal quantile of a one-sided
// conformance probability between 0.5 and 1 (JCGM 106:2012, 8.3.2: acceptance
// when Φ((limit − value)/u) is at least that probability).
func K(probability float64) float64 { return math.Sqrt2 * math.Erfinv(2*probability-1) }

// Conformance is the probability that a quantity estimated as value, with
// standard uncertainty u, lies at or below an upper limit (JCGM 106:2012,
// equation 7.9 for a normal distribution). Without uncertainty it is 0 or 1.
func Conformance(value, u, limit float64) float64 {
	if u <= 0 {
		if value <= limit {
			return 1
		}
		return 0
	}
	return 0.5 * math.Erfc((value-limit)/(u*math.Sqrt2))
}
