package warranty

import (
	"testing"
	"time"

	"underkeep/store/site"
)

func TestParsePeriod(t *testing.T) {
	t.Parallel()
	p := house(1)
	now := time.Date(2026, 7, 14, 3, 0, 0, 0, time.UTC) // 23:00 of the 13th in New York
	for _, c := range []struct {
		from, to    string
		first, then site.Date
		bad         bool
	}{
		{"", "", day(2026, 1, 1), day(2026, 7, 13), false},
		{"2026-03-02", "2026-03-08", day(2026, 3, 2), day(2026, 3, 9), false},
		{"2026-03-02", "2026-03-02", day(2026, 3, 2), day(2026, 3, 3), false},
		{"2026-03-02T05:00:00Z", "2026-03-09T04:00:00Z", day(2026, 3, 2), day(2026, 3, 9), false}, // both midnights
		{"2026-03-02T04:59:59Z", "2026-03-09T04:00:01Z", day(2026, 3, 1), day(2026, 3, 10), false},
		{"2026-07-01", "2026-12-31", day(2026, 7, 1), day(2026, 7, 13), false},
		{"2026-08-01", "", day(2026, 8, 1), day(2026, 8, 1), false},
		{"2026-03-02", "2026-03-01", site.Date{}, site.Date{}, true},
		{"soon", "", site.Date{}, site.Date{}, true},
		{"", "2026-02-30", site.Date{}, site.Date{}, true},
	} {
		first, after, err := ParsePeriod(c.from, c.to, &p, now)
		if (err != nil) != c.bad || !c.bad && (first != c.first || after != c.then) {
			t.Errorf("%q to %q: %v to %v, %v", c.from, c.to, first, after, err)
		}
	}
}
