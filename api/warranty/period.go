package warranty

import (
	"fmt"
	"time"

	"underkeep/store/site"
)

// ParsePeriod reads a period as people write it: days such as 2026-03-02, both
// included, or RFC 3339 times, of which the days of the property's own calendar
// count that they touch. Without a beginning it is the installation, without an
// end the last finished day at the time now. What is not over yet is not judged.
// to is the day after the last.
func ParsePeriod(from, to string, p *site.Property, now time.Time) (first, after site.Date, err error) {
	zone := p.Zone()
	first, after = p.Installed, site.DateOf(now.In(zone))
	if from != "" {
		if first, _, err = parseMoment(from, zone); err != nil {
			return first, after, fmt.Errorf("from: %w", err)
		}
	}
	if to != "" {
		day, whole, err := parseMoment(to, zone)
		if err != nil {
			return first, after, fmt.Errorf("to: %w", err)
		}
		if whole {
			day = day.AddDays(1)
		}
		if day.Before(first) || day == first {
			return first, after, fmt.Errorf("to: %s is not later than from", to)
		}
		if day.Before(after) {
			after = day
		}
	}
	if after.Before(first) {
		after = first // nothing of it is over
	}
	return first, after, nil
}

// parseMoment is a day; whole says that the day itself belongs to a period that
// ends there, false at a midnight that was given as a time.
func parseMoment(text string, zone *time.Location) (site.Date, bool, error) {
	if d, err := site.ParseDate(text); err == nil {
		return d, true, nil
	}
	t, err := time.Parse(time.RFC3339Nano, text)
	if err != nil || t.Year() < 1990 || t.Year() > 2199 {
		return site.Date{}, false, fmt.Errorf("%.40q is neither a day such as 2026-03-02 nor an RFC 3339 time", text)
	}
	d := site.DateOf(t.In(zone))
	return d, !t.Equal(d.In(zone)), nil
}
