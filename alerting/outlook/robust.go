package outlook

import (
	"math"
	"slices"
)

// z90 is the two-sided 90 % point of the normal distribution.
const z90 = 1.6449

// line is a straight line through a cloud of points that a few wild points do
// not move, with 90 % intervals.
type line struct {
	slope, slopeLow, slopeHigh float64
	pivot, level, levelErr     float64 // level ± levelErr at pivot
	scatter                    float64 // standard deviation of the residuals, robust
	correlation                float64 // of neighbouring residuals, 0 to 0.95
}

// fitLine is the Theil-Sen line (Sen 1968): the median slope of all pairs, with
// the interval of Kendall's rank statistic. That interval takes readings as
// independent, which air under a house never is; its variance is therefore
// enlarged by (1+r)/(1-r), the ratio of readings to independent readings at a
// lag-1 correlation r (Bayley and Hammersley 1946, from memory). xs must rise.
func fitLine(xs, ys []float64) line {
	slopes := pairSlopes(xs, ys)
	l := line{slope: median(slopes), pivot: (xs[0] + xs[len(xs)-1]) / 2}
	rest := make([]float64, len(xs))
	for i := range xs {
		rest[i] = ys[i] - l.slope*(xs[i]-l.pivot)
	}
	l.level = median(rest)
	var spread float64 // Σ(x - mean)², of evenly spread points about their middle
	for i := range rest {
		rest[i] -= l.level
		spread += (xs[i] - l.pivot) * (xs[i] - l.pivot)
	}
	l.scatter = deviation(rest)
	l.correlation = lagOne(rest)
	inflation := (1 + l.correlation) / (1 - l.correlation)
	n := float64(len(xs))
	const medianToMean = 1.2533 // standard error of a median over that of a mean
	l.levelErr = z90 * medianToMean * l.scatter * math.Sqrt(inflation/n)
	if low, high, ok := slopeInterval(slopes, n, inflation); ok {
		l.slopeLow, l.slopeHigh = low, high
		return l
	}
	half := z90 * l.scatter * math.Sqrt(inflation/spread)
	l.slopeLow, l.slopeHigh = l.slope-half, l.slope+half
	return l
}

// widen makes the slope's interval at least ± half.
func (l *line) widen(half float64) {
	l.slopeLow, l.slopeHigh = math.Min(l.slopeLow, l.slope-half), math.Max(l.slopeHigh, l.slope+half)
}

// deviation is the robust standard deviation: 1.4826 times the median distance
// from the median, which is σ of a normal distribution.
func deviation(values []float64) float64 {
	m := median(values)
	away := make([]float64, len(values))
	for i, v := range values {
		away[i] = math.Abs(v - m)
	}
	return 1.4826 * median(away)
}

func pairSlopes(xs, ys []float64) []float64 {
	out := make([]float64, 0, len(xs)*(len(xs)-1)/2)
	for i := range xs {
		for j := i + 1; j < len(xs); j++ {
			out = append(out, (ys[j]-ys[i])/(xs[j]-xs[i]))
		}
	}
	slices.Sort(out)
	return out
}

// slopeInterval takes the order statistics (N ∓ C)/2 of the sorted slopes, with
// C = z √(n(n-1)(2n+5)/18 · inflation) (Sen 1968; Hollander and Wolfe). Not ok when the
// ranks lie beyond the ends; the normal interval of the slope then serves.
func slopeInterval(sorted []float64, n, inflation float64) (low, high float64, ok bool) {
	c := z90 * math.Sqrt(n*(n-1)*(2*n+5)/18*inflation)
	count := float64(len(sorted))
	below, above := int(math.Floor((count-c)/2)), int(math.Ceil((count+c)/2))+1
	if below < 1 || above > len(sorted) {
		return 0, 0, false
	}
	return sorted[below-1], sorted[above-1], true
}

// lagOne is the correlation of neighbouring residuals, corrected for its bias
// in short series, (1+4r)/n (Kendall 1954, from memory), and held to 0..0.95.
func lagOne(rest []float64) float64 {
	var product, square float64
	for i, r := range rest {
		square += r * r
		if i > 0 {
			product += r * rest[i-1]
		}
	}
	if square < 1e-18 {
		return 0
	}
	r := product / square
	r += (1 + 4*r) / float64(len(rest))
	return min(max(r, 0), 0.95)
}
