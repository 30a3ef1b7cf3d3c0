package chart

import (
	"math"
	"slices"
	"time"
)

// ticks are about n round values inside (low, high).
func ticks(low, high float64, n int) []float64 {
	raw := (high - low) / float64(n)
	if raw <= 0 || math.IsNaN(raw) || math.IsInf(raw, 0) {
		return nil
	}
	unit := math.Pow10(int(math.Floor(math.Log10(raw))))
	step := unit * 10
	for _, m := range []float64{1, 2, 5} {
		if m*unit >= raw {
			step = m * unit
			break
		}
	}
	var out []float64
	for k := math.Ceil(low / step); k*step < high; k++ {
		out = append(out, k*step)
	}
	return out
}

type timeTick struct {
	at   time.Time
	text string
}

// times are at most about seven moments that people count by, in the zone of
// the chart: whole hours, midnights, first days of months. They are stepped on
// the calendar, so days of 23 and 25 hours are right.
func (c *Chart) times() []timeTick {
	span := c.To.Sub(c.From)
	from := c.From.In(c.Zone)
	y, m, d := from.Date()
	switch {
	case span <= 36*time.Hour:
		return c.step("15:04", func(i int) time.Time { return time.Date(y, m, d, 6*i, 0, 0, 0, c.Zone) })
	case span <= 8*24*time.Hour:
		return c.step("Mon 2", func(i int) time.Time { return time.Date(y, m, d+i, 0, 0, 0, 0, c.Zone) })
	case span <= 40*24*time.Hour:
		return c.step("Jan 2", func(i int) time.Time { return time.Date(y, m, d+6*i, 0, 0, 0, 0, c.Zone) })
	default:
		months := int(math.Ceil(span.Hours() / (24 * 30.4 * 6)))
		return c.step("Jan 2006", func(i int) time.Time { return time.Date(y, m+time.Month(months*i), 1, 0, 0, 0, 0, c.Zone) })
	}
}

func (c *Chart) step(layout string, at func(i int) time.Time) []timeTick {
	var out []timeTick
	for i := 0; ; i++ {
		t := at(i)
		if !t.Before(c.To) {
			return out
		}
		if !t.Before(c.From) {
			out = append(out, timeTick{t, t.Format(layout)})
		}
	}
}

// between lists the stretches of [from, to) that are farther than gap from one
// moment to the next.
func between(from, to time.Time, moments []time.Time, gap time.Duration) [][2]time.Time {
	slices.SortFunc(moments, time.Time.Compare)
	var out [][2]time.Time
	last := from
	for _, t := range moments {
		if t.Sub(last) > gap {
			out = append(out, [2]time.Time{last, t})
		}
		last = t
	}
	if to.Sub(last) > gap {
		out = append(out, [2]time.Time{last, to})
	}
	return out
}
