package warranty

import (
	"math"
	"time"

	"underkeep/alerting/air"
	"underkeep/store/site"
)

// What a sensor is taken to be when its property file does not say (common
// practice, no source): worse than any that would be installed.
const (
	unknownRHPct   = 5.0
	unknownTempK   = 1.0
	unknownWoodPct = 2.0
)

// emcLimitPct is how far the moisture of real wood lies from the equilibrium of
// the Wood Handbook, by species and history (FPL-GTR-190, chapter 4).
const emcLimitPct = 2.0

// rangeShare of the stated accuracy stays after a check over one salt, which
// says what the sensor does at that humidity and not along its whole range
// (common practice, no source).
const rangeShare = 0.5

// Trust is how a sensor is taken on one day.
type Trust struct {
	OffsetPct   float64 // taken from what it reads
	StandardPct float64 // standard uncertainty of what is left
}

// accuracy of a quantity at a point in a description: ± a limit.
func accuracy(pt *site.Point, q site.Quantity) float64 {
	if pt != nil && pt.Sensor != nil {
		if a, ok := pt.Sensor.Accuracy[q]; ok {
			return a
		}
	}
	switch q {
	case site.RH:
		return unknownRHPct
	case site.WoodMoisture:
		return unknownWoodPct
	}
	return unknownTempK
}

// trustOn is how far the humidity sensor at a point is trusted on the day that
// ends with next. Checks are in order of time.
//
// Without a check its accuracy ±a stands as a/√3 (JCGM 100:2008, 4.3.7). The
// latest check up to that day, made with the sensor that is still there,
// corrects its offset from the day of the check on; left are the uncertainty of
// that offset and half of a for the rest of the range. A check is due after the
// terms' interval, counted from the last check or from the day from which the
// sensor is described; a day by which it is overdue adds the drift of the terms,
// in proportion to a year and again as a limit, so divided by √3. Parts combine
// by the root of their squares (JCGM 100:2008, 5.1.2).
func trustOn(day, next time.Time, pt *site.Point, since time.Time, checks []Check, terms *SensorCheckTerms) Trust {
	a := accuracy(pt, site.RH)
	t, square := Trust{}, math.Pow(air.StandardFromLimit(a), 2)
	for _, c := range checks {
		if from := c.from(); from.Before(next) && sameSensor(pt, c) && !from.Before(since) {
			t.OffsetPct, since = c.OffsetPct, from
			square = math.Pow(c.OffsetStandardPct, 2) + math.Pow(air.StandardFromLimit(rangeShare*a), 2)
		}
	}
	if terms != nil {
		if overdue := day.Sub(since) - terms.Interval; overdue > 0 {
			drift := terms.DriftPctPerYear * overdue.Hours() / (365 * 24)
			square += math.Pow(air.StandardFromLimit(drift), 2)
		}
	}
	t.StandardPct = math.Sqrt(square)
	return t
}

// sameSensor says that a check was made with the sensor that is described now.
func sameSensor(pt *site.Point, c Check) bool {
	return pt == nil || pt.Sensor == nil || pt.Sensor.Serial == "" || c.Serial == "" || pt.Sensor.Serial == c.Serial
}
