package outlook

import (
	"math"
	"slices"
	"time"
)

const (
	usualForecastK = 2.0 // 90 % half-width; common practice, no source
	leastPairs     = 48  // half hours behind a response
)

// byForecast carries surface and dew point from now into the night as they
// followed the outdoor air in the last days. False, with the reason, where those
// days or the forecast do not suffice.
//
// The response is a straight line through changes over 24 h, which the daily
// rhythm of the house itself (sun, air conditioning) does not enter. What such a
// line leaves unexplained, its lag included, is the range.
func (s *SurfaceNight) byForecast(in Input, m margins, c Condensation, sensorK float64) bool {
	surface, ok1 := respond(m.outTemp, m.surface)
	dew, ok2 := respond(m.outDew, m.dew)
	hours := in.Forecast.Hours
	if !ok1 || !ok2 {
		s.Reason = "a forecast needs three days of readings outdoors, in the air and on the surface"
		return false
	}
	s.SurfaceFollows, s.DewFollows = surface.slope, dew.slope
	best := Range{Value: math.Inf(1)}
	for _, h := range hours {
		if h.At.Before(c.From) || h.At.After(c.To) {
			continue
		}
		// The same time of day, one day before: what the line was fitted on.
		k := int(in.Now.Add(24*time.Hour).Sub(h.At) / (30 * time.Minute))
		if k < 0 || k >= len(m.surface) {
			continue
		}
		v := m.surface[k] + surface.slope*(h.TempC-m.outTemp[k]) - m.dew[k] - dew.slope*(h.DewC-m.outDew[k])
		if math.IsNaN(v) || v >= best.Value {
			continue
		}
		half := math.Sqrt(square(surface.err) + square(dew.err) + square(sensorK) +
			square(surface.slope*orUsual(h.UTempK)) + square(dew.slope*orUsual(h.UDewC90)))
		best = Range{v, v - half, v + half}
	}
	if math.IsInf(best.Value, 1) {
		s.Reason = "the forecast does not cover the night"
		return false
	}
	s.MarginK, s.ByForecast = best, true
	return true
}

func square(v float64) float64 { return v * v }

func orUsual(v float64) float64 {
	if v > 0 {
		return v
	}
	return usualForecastK
}

// response of something under the house to the outdoor air: its change over 24 h
// for each K of change outdoors, held to 0..1, and the 90 % half-width that it
// leaves.
type response struct{ slope, err float64 }

func respond(outdoors, inside []float64) (response, bool) {
	const day = 48
	var xs, ys []float64
	for k := 0; k+day < len(inside) && k < 4*day && len(outdoors) == len(inside); k++ {
		x, y := outdoors[k]-outdoors[k+day], inside[k]-inside[k+day]
		if !math.IsNaN(x) && !math.IsNaN(y) {
			xs, ys = append(xs, x), append(ys, y)
		}
	}
	if len(xs) < leastPairs {
		return response{}, false
	}
	var slopes, weights []float64
	for i, x := range xs {
		if x != 0 {
			slopes, weights = append(slopes, ys[i]/x), append(weights, math.Abs(x))
		}
	}
	slope := min(max(weightedMedian(slopes, weights), 0), 1)
	away := make([]float64, len(xs))
	for i := range xs {
		away[i] = math.Abs(ys[i] - slope*xs[i])
	}
	slices.Sort(away)
	return response{slope, away[int(Confidence*float64(len(away)-1))]}, true
}

// weightedMedian makes the slope through the origin that leaves the least sum of
// absolute deviations (Laplace's method of situation); 0 without any weight.
func weightedMedian(values, weights []float64) float64 {
	order := make([]int, len(values))
	var total float64
	for i := range order {
		order[i] = i
		total += weights[i]
	}
	slices.SortFunc(order, func(a, b int) int {
		switch {
		case values[a] < values[b]:
			return -1
		case values[a] > values[b]:
			return 1
		}
		return 0
	})
	var sum float64
	for _, i := range order {
		if sum += weights[i]; sum >= total/2 {
			return values[i]
		}
	}
	return 0
}
