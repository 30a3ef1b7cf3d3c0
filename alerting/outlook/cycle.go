package outlook

import (
	"math"
	"time"
)

// dayCycle is how a series goes over a day, as deviations from its daily mean;
// slot k is the hour that ended k hours before now, and every 24 h before and
// after. All zero where the days before do not tell.
type dayCycle struct {
	slot  [24]float64
	known bool
}

const (
	hoursBack = int(Back / time.Hour)
	// daysForCycle: an hour of the day needs so many days behind it.
	daysForCycle = 3
)

// cycleOf takes the classical decomposition: hourly medians less their centred
// mean over 24 h, then the median by hour of the day. A steady trend leaves
// such a mean untouched, so it does not leak into the cycle. The 24 h before now
// are left out: what goes on today must not explain itself away.
func cycleOf(samples []Sample, now time.Time) dayCycle {
	hourly := bins(samples, now, time.Hour, hoursBack)
	var by [24][]float64
	for j := 36; j+12 < hoursBack; j++ {
		mean := centredDay(hourly, j)
		if !math.IsNaN(mean) && !math.IsNaN(hourly[j]) {
			by[j%24] = append(by[j%24], hourly[j]-mean)
		}
	}
	var c dayCycle
	var sum float64
	for k := range by {
		if len(by[k]) < daysForCycle {
			return dayCycle{}
		}
		c.slot[k] = median(by[k])
		sum += c.slot[k]
	}
	for k := range c.slot {
		c.slot[k] -= sum / 24
	}
	c.known = true
	return c
}

// centredDay is the mean over 24 h around bin j, its ends at half weight; NaN
// when more than a tenth of it is missing.
func centredDay(hourly []float64, j int) float64 {
	var sum, weight float64
	for d := -12; d <= 12; d++ {
		v, w := hourly[j+d], 1.0
		if d == -12 || d == 12 {
			w = 0.5
		}
		if !math.IsNaN(v) {
			sum, weight = sum+w*v, weight+w
		}
	}
	if weight < 21.6 {
		return math.NaN()
	}
	return sum / weight
}

// at is the deviation at hours after now (negative: before), between the
// middles of its slots.
func (c dayCycle) at(hours float64) float64 {
	back := math.Mod(-hours-0.5, 24)
	if back < 0 {
		back += 24
	}
	k := int(back) % 24
	part := back - math.Floor(back)
	return c.slot[k]*(1-part) + c.slot[(k+1)%24]*part
}

// swing is the height of the cycle from its lowest to its highest hour.
func (c dayCycle) swing() float64 {
	low, high := c.slot[0], c.slot[0]
	for _, v := range c.slot {
		low, high = min(low, v), max(high, v)
	}
	return high - low
}

// bins are the medians of count steps counted back from now, the latest first;
// NaN where a step has no reading.
func bins(samples []Sample, now time.Time, step time.Duration, count int) []float64 {
	groups := make([][]float64, count)
	for _, s := range samples {
		age := now.Sub(s.At)
		if k := int(age / step); age >= 0 && k < count {
			groups[k] = append(groups[k], s.Value)
		}
	}
	out := make([]float64, count)
	for k := range groups {
		out[k] = median(groups[k])
	}
	return out
}
