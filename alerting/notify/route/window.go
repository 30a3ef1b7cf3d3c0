package route

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// Clock is a time of day in minutes since midnight by the wall clock.
type Clock int

// ParseClock reads "08:00".
func ParseClock(s string) (Clock, error) {
	t, err := time.Parse("15:04", s)
	if err != nil {
		return 0, fmt.Errorf("time of day %q: want hours and minutes as in 08:00", s)
	}
	return Clock(t.Hour()*60 + t.Minute()), nil
}

func clockOf(t time.Time) Clock { return Clock(t.Hour()*60 + t.Minute()) }

// On is the instant at which the wall clock of a zone shows the time on the day
// of t. Where the change to summer time skips it, it is that much later.
func (c Clock) On(t time.Time, zone *time.Location) time.Time {
	y, m, d := t.In(zone).Date()
	return time.Date(y, m, d, int(c)/60, int(c)%60, 0, 0, zone)
}

// span is a part of the day, from inclusive, to exclusive; it may pass midnight.
type span struct{ from, to Clock }

func (s span) has(c Clock) bool {
	if s.from <= s.to {
		return s.from <= c && c < s.to
	}
	return c >= s.from || c < s.to
}

func parseSpan(s string) (span, error) {
	from, to, ok := strings.Cut(s, "-")
	if !ok {
		return span{}, fmt.Errorf("hours %q: want as in 08:00-17:00", s)
	}
	a, err := ParseClock(strings.TrimSpace(from))
	if err != nil {
		return span{}, err
	}
	b, err := ParseClock(strings.TrimSpace(to))
	if err == nil && a == b {
		err = fmt.Errorf("hours %q begin when they end", s)
	}
	return span{a, b}, err
}

// calendar is what the words for times mean, in the property's own zone.
type calendar struct {
	working span
	days    []time.Weekday // of the working week
	night   span
}

// Windows are the words for times that rules may use.
func Windows() []string {
	return []string{"always", "working-hours", "outside-working-hours", "daytime", "night", "weekend"}
}

// has says whether a moment, in the zone, lies in the window.
func (c *calendar) has(window string, local time.Time) bool {
	working := slices.Contains(c.days, local.Weekday()) && c.working.has(clockOf(local))
	switch window {
	case "working-hours":
		return working
	case "outside-working-hours":
		return !working
	case "daytime":
		return !c.night.has(clockOf(local))
	case "night":
		return c.night.has(clockOf(local))
	case "weekend":
		return !slices.Contains(c.days, local.Weekday())
	}
	return true
}

// next is the first moment from t on that lies in the window. Windows open only
// at midnight and where the spans begin or end, so only those moments are tried.
func (c *calendar) next(window string, t time.Time, zone *time.Location) time.Time {
	if c.has(window, t.In(zone)) {
		return t
	}
	edges := []Clock{0, c.working.from, c.working.to, c.night.from, c.night.to}
	slices.Sort(edges)
	for day := 0; day <= 8; day++ {
		noon := Clock(12*60).On(t, zone).AddDate(0, 0, day)
		for _, e := range edges {
			if at := e.On(noon, zone); at.After(t) && c.has(window, at.In(zone)) {
				return at
			}
		}
	}
	return t // a week without working days: better now than never
}
