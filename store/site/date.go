package site

import (
	"fmt"
	"time"
)

// ParseDate reads a calendar day such as 2026-03-02, from 1990 to 2199.
func ParseDate(s string) (Date, error) {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil || t.Year() < 1990 || t.Year() > 2199 {
		return Date{}, fmt.Errorf("%q is no date; write year-month-day, such as 2026-03-02", clip(s))
	}
	return DateOf(t), nil
}

// DateOf is the calendar day of t in t's own time zone.
func DateOf(t time.Time) Date {
	y, m, d := t.Date()
	return Date{Year: y, Month: m, Day: d}
}

// In is the first instant of the day in loc. Where a change of the clocks skips
// midnight that is the change itself; where midnight comes twice, the first.
func (d Date) In(loc *time.Location) time.Time {
	asUTC := time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, time.UTC)
	_, before := asUTC.Add(-24 * time.Hour).In(loc).Zone()
	_, after := asUTC.Add(24 * time.Hour).In(loc).Zone()
	// The greater offset from UTC comes first in time.
	for _, offset := range []int{max(before, after), min(before, after)} {
		t := asUTC.Add(-time.Duration(offset) * time.Second).In(loc)
		if h, m, s := t.Clock(); h == 0 && m == 0 && s == 0 && DateOf(t) == d {
			return t
		}
	}
	start, _ := asUTC.Add(-time.Duration(before) * time.Second).In(loc).ZoneBounds()
	return start
}

// AddDays is the calendar day n days later.
func (d Date) AddDays(n int) Date {
	return DateOf(time.Date(d.Year, d.Month, d.Day+n, 0, 0, 0, 0, time.UTC))
}

// Before reports whether d is an earlier day than o.
func (d Date) Before(o Date) bool { return d.String() < o.String() }

// String is the day as year-month-day.
func (d Date) String() string { return fmt.Sprintf("%04d-%02d-%02d", d.Year, int(d.Month), d.Day) }
