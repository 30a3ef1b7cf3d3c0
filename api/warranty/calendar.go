package warranty

import (
	"fmt"
	"slices"
	"time"

	"underkeep/store/site"
)

// calendar is the judged period in the property's own days.
type calendar struct {
	zone      *time.Location
	dates     []site.Date
	bounds    []int64 // dates[i] is [bounds[i], bounds[i+1])
	witnessed []int64 // by day
	terms     []int   // by day: index into Input.Terms, -1 none in force
	version   []int   // by day: index into Input.Versions
	month     []int   // by day: index into months
	months    []month
	drying    int64 // end of commissioning
}

type month struct {
	year int
	name time.Month
}

// longestPeriod bounds the work of one verdict.
const longestPeriod = 40 * 366

func newCalendar(in *Input) (*calendar, error) {
	if len(in.Versions) == 0 {
		return nil, fmt.Errorf("property %s has no description", in.Property)
	}
	first := &in.Versions[0].Property
	c := &calendar{zone: first.Zone()}
	from := in.From
	if from.Before(first.Installed) {
		from = first.Installed
	}
	c.drying = first.Installed.In(c.zone).Add(first.Commissioning).UnixMicro()
	given := make(map[site.Date]Day, len(in.Days))
	for _, d := range in.Days {
		given[d.Date] = d
	}
	for d := from; d.Before(in.To); d = d.AddDays(1) {
		if len(c.dates) == longestPeriod {
			return nil, fmt.Errorf("a period of more than %d days", longestPeriod)
		}
		c.add(in, d, given)
	}
	if len(c.dates) > 0 {
		c.bounds = append(c.bounds, in.To.In(c.zone).UnixMicro())
	}
	return c, nil
}

func (c *calendar) add(in *Input, d site.Date, given map[site.Date]Day) {
	c.dates = append(c.dates, d)
	c.bounds = append(c.bounds, d.In(c.zone).UnixMicro())
	witnessed := given[d].Witnessed // 0 where the day is not there: nothing of it is witnessed
	c.witnessed = append(c.witnessed, witnessed)
	c.terms = append(c.terms, lastFrom(len(in.Terms), func(i int) bool { return !d.Before(in.Terms[i].From) }))
	c.version = append(c.version, max(0, lastFrom(len(in.Versions), func(i int) bool { return !d.Before(in.Versions[i].From) })))
	m := month{d.Year, d.Month}
	if len(c.months) == 0 || c.months[len(c.months)-1] != m {
		c.months = append(c.months, m)
	}
	c.month = append(c.month, len(c.months)-1)
}

// lastFrom is the last of n for which holds is true, -1 for none.
func lastFrom(n int, holds func(int) bool) int {
	for i := n - 1; i >= 0; i-- {
		if holds(i) {
			return i
		}
	}
	return -1
}

func (c *calendar) from() int64 { return c.bounds[0] }
func (c *calendar) to() int64   { return c.bounds[len(c.bounds)-1] }

// pieces are the runs of days under one version of terms.
func (c *calendar) pieces() []span {
	var out []span
	for i := range c.dates {
		if n := len(out); n > 0 && c.terms[out[n-1].from] == c.terms[i] {
			out[n-1].to = int64(i + 1)
			continue
		}
		out = append(out, span{int64(i), int64(i + 1)})
	}
	return out
}

// span of time or of days, to exclusive.
type span struct{ from, to int64 }

func (s span) length() int64 { return s.to - s.from }

// union sorts spans and joins those that touch.
func union(spans []span) []span {
	slices.SortFunc(spans, func(a, b span) int {
		if a.from != b.from {
			return int(min(max(a.from-b.from, -1), 1))
		}
		return int(min(max(a.to-b.to, -1), 1))
	})
	var out []span
	for _, s := range spans {
		switch n := len(out); {
		case s.to <= s.from:
		case n > 0 && s.from <= out[n-1].to:
			out[n-1].to = max(out[n-1].to, s.to)
		default:
			out = append(out, s)
		}
	}
	return out
}

// without is a less what is in b; both as union returns them.
func without(a, b []span) []span {
	var out []span
	j := 0
	for _, s := range a {
		for j < len(b) && b[j].to <= s.from {
			j++
		}
		for k := j; k < len(b) && b[k].from < s.to; k++ {
			if b[k].from > s.from {
				out = append(out, span{s.from, b[k].from})
			}
			s.from = max(s.from, b[k].to)
		}
		if s.from < s.to {
			out = append(out, s)
		}
	}
	return out
}

// within is what a and b have in common; both as union returns them.
func common(a, b []span) []span {
	var out []span
	i, j := 0, 0
	for i < len(a) && j < len(b) {
		from, to := max(a[i].from, b[j].from), min(a[i].to, b[j].to)
		if from < to {
			out = append(out, span{from, to})
		}
		if a[i].to < b[j].to {
			i++
		} else {
			j++
		}
	}
	return out
}

func clip(spans []span, from, to int64) []span { return common(spans, []span{{from, to}}) }

func total(spans []span) int64 {
	var sum int64
	for _, s := range spans {
		sum += s.length()
	}
	return sum
}

// cell is a stretch within one hour and one day in which everything that does
// not depend on a sensor is the same.
type cell struct {
	from, to int64
	day      int32
	hour     int32 // index of the hour of the period, from its first instant on
	left     uint8 // how far the time is left out
}

// How far a stretch is left out of judging.
const (
	counted  uint8 = iota
	mayLeave       // left out in the best case only
	leftOut        // left out in every case
)

// cells cuts the period at hours, days and the edges of what is left out.
func (c *calendar) cells(sure, maybe []span) []cell {
	edges := make([]int64, 0, len(c.bounds)*26+2*len(sure)+2*len(maybe))
	edges = append(edges, c.bounds...)
	for at := c.from(); at < c.to(); at += µsHour {
		edges = append(edges, at)
	}
	for _, list := range [][]span{sure, maybe} {
		for _, s := range clip(list, c.from(), c.to()) {
			edges = append(edges, s.from, s.to)
		}
	}
	slices.Sort(edges)
	edges = slices.Compact(edges)
	out := make([]cell, 0, len(edges))
	day, si, mi := 0, 0, 0
	for i := 0; i+1 < len(edges); i++ {
		from := edges[i]
		for c.bounds[day+1] <= from {
			day++
		}
		k := cell{from: from, to: edges[i+1], day: int32(day), hour: int32((from - c.from()) / µsHour)}
		if covers(sure, &si, from) {
			k.left = leftOut
		} else if covers(maybe, &mi, from) {
			k.left = mayLeave
		}
		out = append(out, k)
	}
	return out
}

// covers says whether a span holds the instant; i moves along with rising at.
func covers(spans []span, i *int, at int64) bool {
	for *i < len(spans) && spans[*i].to <= at {
		*i++
	}
	return *i < len(spans) && spans[*i].from <= at
}
