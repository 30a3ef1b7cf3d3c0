package weather

import (
	"cmp"
	"math"
	"slices"
	"time"
)

// Interval is rain between two times that no other interval overlaps.
type Interval struct {
	From, To time.Time
	MM       float64
	// Spread marks a share of a longer total: the depth is measured, where within
	// the total it fell is not.
	Spread bool
}

// total is what one window says.
type total struct {
	from, to time.Time
	mm       float64
}

// Resolve turns the overlapping windows of reports into intervals that do not
// overlap, so that their depths may be summed. What stored holds already stands;
// a window adds only what it says beyond the intervals inside it, to the time
// that none of them covers. So a special report's running amount is followed by
// the rest of its hour, and a total over 3 or 6 h fills the hours that were not
// reported. A window that cuts through an interval, or
// holds a share of another total, says nothing.
//
// revised are intervals that a report now gives another depth than stored has.
func Resolve(observations []Observation, stored []Interval) (fresh, revised []Interval) {
	done := slices.Clone(stored)
	minute := routineMinute(observations)
	for _, w := range totals(observations, minute) {
		inside, free, ok := within(done, w)
		switch {
		case !ok:
		case len(free) == 0:
			if i := slices.IndexFunc(stored, func(s Interval) bool { return s.From.Equal(w.from) && s.To.Equal(w.to) && !s.Spread }); i >= 0 && !near(stored[i].MM, w.mm) {
				revised = append(revised, Interval{From: w.from, To: w.to, MM: w.mm})
			}
		default:
			added := share(free, math.Max(0, w.mm-inside))
			fresh, done = append(fresh, added...), append(done, added...)
		}
	}
	byEnd := func(a, b Interval) int { return a.To.Compare(b.To) }
	slices.SortFunc(fresh, byEnd)
	slices.SortFunc(revised, byEnd)
	return fresh, slices.CompactFunc(revised, func(a, b Interval) bool { return a.To.Equal(b.To) })
}

func near(a, b float64) bool { return math.Abs(a-b) < 0.01 }

// within sums the intervals inside a window and lists the time that none covers.
// ok is false where one reaches beyond the window, or is itself a share of a total:
// where within that total its rain fell is not known, and to build on it could count
// rain twice.
func within(done []Interval, w total) (mm float64, free []Interval, ok bool) {
	var inside []Interval
	for _, d := range done {
		if !d.To.After(w.from) || !d.From.Before(w.to) {
			continue
		}
		if d.From.Before(w.from) || d.To.After(w.to) || d.Spread {
			return 0, nil, false
		}
		inside = append(inside, d)
		mm += d.MM
	}
	slices.SortFunc(inside, func(a, b Interval) int { return a.From.Compare(b.From) })
	at := w.from
	for _, d := range inside {
		if d.From.After(at) {
			free = append(free, Interval{From: at, To: d.From})
		}
		at = d.To
	}
	if w.to.After(at) {
		free = append(free, Interval{From: at, To: w.to})
	}
	return mm, free, true
}

// share lays a depth on free time, evenly where it is in several pieces.
func share(free []Interval, mm float64) []Interval {
	var all float64
	for _, f := range free {
		all += f.To.Sub(f.From).Hours()
	}
	for i := range free {
		free[i].MM = mm * free[i].To.Sub(free[i].From).Hours() / all
		free[i].Spread = len(free) > 1 && mm > 0 || free[i].To.Sub(free[i].From) > time.Hour
	}
	return free
}

// totals lists the windows, shorter ones first where they end together, so that
// the finer word counts.
func totals(observations []Observation, minute int) []total {
	var out []total
	for _, o := range observations {
		for _, w := range o.Rain {
			t := total{to: o.At, mm: w.MM}
			switch {
			case w.Hours == 0:
				t.from = routineBefore(o.At, minute)
			case o.At.Minute() == minute:
				t.from = o.At.Add(-time.Duration(w.Hours) * time.Hour)
			default: // a special report repeats the totals of a routine one
				continue
			}
			out = append(out, t)
		}
	}
	// Whole totals come after everything that ends within them.
	slices.SortStableFunc(out, func(a, b total) int {
		return cmp.Or(a.to.Compare(b.to), b.from.Compare(a.from), cmp.Compare(b.mm, a.mm))
	})
	return out
}

// routineMinute is the minute of the hour at which a station reports by routine:
// the most frequent one of its reports, if it comes more than once.
func routineMinute(observations []Observation) int {
	var count [60]int
	best := 53 // most automated stations in the United States (common practice, no source)
	for _, o := range observations {
		count[o.At.Minute()]++
	}
	for m, n := range count {
		if n > max(count[best], 1) {
			best = m
		}
	}
	return best
}

// routineBefore is the last routine report before a time.
func routineBefore(at time.Time, minute int) time.Time {
	t := at.Truncate(time.Hour).Add(time.Duration(minute) * time.Minute)
	for !t.Before(at) {
		t = t.Add(-time.Hour)
	}
	return t
}
