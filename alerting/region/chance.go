package region

import "math"

// AtLeast is the probability of at least k successes in n independent trials
// of probability p: the upper tail of the binomial distribution. It is summed
// from its largest term on, so that it is exact far out in the tail, and 0
// below about 1e-300.
func AtLeast(k, n int, p float64) float64 {
	switch {
	case k <= 0 || p >= 1 && k <= n:
		return 1
	case k > n || p <= 0:
		return 0
	}
	if mean := p * float64(n); float64(k) <= mean {
		return 1 - AtMost(k-1, n, p)
	}
	term := logTerm(k, n, p)
	odds := p / (1 - p)
	sum, next := 1.0, 1.0
	for i := k; i < n; i++ {
		next *= float64(n-i) / float64(i+1) * odds
		sum += next
		if next < 1e-17*sum {
			break
		}
	}
	return min(1, math.Exp(term+math.Log(sum)))
}

// AtMost is the probability of at most k successes; k below the mean.
func AtMost(k, n int, p float64) float64 {
	if k < 0 {
		return 0
	}
	odds := (1 - p) / p
	sum, next := 1.0, 1.0
	for i := k; i > 0; i-- {
		next *= float64(i) / float64(n-i+1) * odds
		sum += next
		if next < 1e-17*sum {
			break
		}
	}
	return min(1, math.Exp(logTerm(k, n, p)+math.Log(sum)))
}

// logTerm is the logarithm of the probability of just k successes.
func logTerm(k, n int, p float64) float64 {
	return logFactorial(n) - logFactorial(k) - logFactorial(n-k) + float64(k)*math.Log(p) + float64(n-k)*math.Log1p(-p)
}

func logFactorial(n int) float64 {
	v, _ := math.Lgamma(float64(n) + 1)
	return v
}

// Usual rate of call-outs per house and hour, from what was seen: in busy of
// bins spans of time the fleet had a call-out. The zero class of the Poisson
// distribution tells the rate of independent call-outs, and a storm over forty
// houses is one busy span or a few, not forty call-outs. The prior is one
// call-out a house and year, with the weight of 20 house-years (an assumption,
// no source), so that a young or a lucky fleet has a rate too.
func Usual(busy, bins int, binHours float64, houses int) float64 {
	const priorYears, hoursPerYear = 20, 8766
	hours := float64(bins) * binHours * float64(houses)
	if hours <= 0 {
		return 1.0 / hoursPerYear
	}
	idle := max(0.5, float64(bins-busy)) / float64(bins)
	seen := -math.Log(idle) * float64(bins)
	return (seen + priorYears) / (hours + priorYears*hoursPerYear)
}
