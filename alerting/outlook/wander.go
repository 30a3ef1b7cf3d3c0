package outlook

import (
	"math"
	"slices"
	"time"
)

// wander is how far a series strays from any line within some hours: the 90 %
// half-width of its changes over that time in the days behind, the daily cycle
// taken out. A trend that goes on all week makes all changes alike and adds
// nothing; doors, showers and showers of rain do.
type wander [len(wanderLags)]float64

var wanderLags = [...]int{1, 2, 4, 8, 16, 24, 48, 72}

func wanderOf(samples []Sample, now time.Time, cycle dayCycle) wander {
	hourly := bins(samples, now, time.Hour, hoursBack)
	for k := range hourly {
		hourly[k] -= cycle.at(-float64(k) - 0.5)
	}
	var w wander
	for i, lag := range wanderLags {
		var changes []float64
		for k := 0; k+lag < len(hourly); k++ {
			if d := hourly[k] - hourly[k+lag]; !math.IsNaN(d) {
				changes = append(changes, d)
			}
		}
		usual := median(changes)
		for j := range changes {
			changes[j] = math.Abs(changes[j] - usual)
		}
		slices.Sort(changes)
		if n := len(changes); n > 0 {
			w[i] = changes[int(Confidence*float64(n-1))]
		}
		if i > 0 {
			w[i] = math.Max(w[i], w[i-1]) // it may be on its way back, and need not be
		}
	}
	return w
}

// at some hours ahead; beyond the longest lag it grows with the square root, as
// a random walk does.
func (w wander) at(hours float64) float64 {
	last := len(wanderLags) - 1
	if longest := float64(wanderLags[last]); hours >= longest {
		return w[last] * math.Sqrt(hours/longest)
	}
	var lag, half float64
	for i, next := range wanderLags {
		if x := float64(next); hours <= x {
			return half + (w[i]-half)*(hours-lag)/(x-lag)
		}
		lag, half = float64(next), w[i]
	}
	return half
}
