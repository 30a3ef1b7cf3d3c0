package site_test

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"underkeep/store/site"
)

// The days are from the IANA time zone data: midnight is skipped in São Paulo
// on 2018-11-04 and in Havana on 2024-03-10, comes twice in the Azores on
// 2024-10-27, and 2011-12-31 follows 2011-12-29 in Samoa.
func TestDateInIsTheFirstInstantOfTheDay(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ zone, day, want string }{
		{"America/New_York", "2026-03-02", "2026-03-02T05:00:00Z"},
		{"America/New_York", "2026-07-02", "2026-07-02T04:00:00Z"},
		{"America/New_York", "2026-03-08", "2026-03-08T05:00:00Z"}, // clocks change at 02:00
		{"America/New_York", "2026-11-01", "2026-11-01T04:00:00Z"},
		{"America/Sao_Paulo", "2018-11-04", "2018-11-04T03:00:00Z"},
		{"America/Havana", "2024-03-10", "2024-03-10T05:00:00Z"},
		{"Atlantic/Azores", "2024-10-27", "2024-10-27T00:00:00Z"},
		{"Pacific/Apia", "2011-12-31", "2011-12-30T10:00:00Z"},
		{"UTC", "2026-03-02", "2026-03-02T00:00:00Z"},
	} {
		p := site.Property{Timezone: c.zone}
		d, err := site.ParseDate(c.day)
		if err != nil {
			t.Fatal(err)
		}
		if got := d.In(p.Zone()).UTC().Format(time.RFC3339); got != c.want {
			t.Errorf("%s in %s begins %s, want %s", c.day, c.zone, got, c.want)
		}
	}
}

// In every zone tried, days follow one another without gap or overlap.
func TestDatesTileTime(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		zone := rapid.SampledFrom([]string{"America/New_York", "America/Sao_Paulo", "America/Havana", "Atlantic/Azores",
			"Australia/Lord_Howe", "Asia/Beirut", "Asia/Kathmandu"}).Draw(t, "zone")
		loc, err := time.LoadLocation(zone)
		if err != nil {
			t.Fatal(err)
		}
		d := site.Date{Year: 1995, Month: time.January, Day: 1}.AddDays(rapid.IntRange(0, 14_000).Draw(t, "day"))
		start, end := d.In(loc), d.AddDays(1).In(loc)
		if site.DateOf(start) != d || site.DateOf(start.Add(-time.Second)) == d {
			t.Fatalf("%s in %s begins %s", d, zone, start)
		}
		if h := end.Sub(start).Hours(); h < 22.9 || h > 25.1 {
			t.Fatalf("%s in %s has %v hours", d, zone, h)
		}
	})
}

func TestParseDateRefuses(t *testing.T) {
	t.Parallel()
	for _, s := range []string{"", "2026-3-2", "02.03.2026", "2026-02-30", "1970-01-01", "2026-03-02T00:00:00Z", "9999-01-01"} {
		if d, err := site.ParseDate(s); err == nil {
			t.Errorf("ParseDate(%q) = %s", s, d)
		}
	}
}

func TestPointLookup(t *testing.T) {
	t.Parallel()
	p := parse(t, minimal)
	pt, ok := p.Point("north-bay")
	if !ok || !pt.Has(site.RH) || pt.Has(site.Leak) {
		t.Errorf("north-bay is %+v, %v", pt, ok)
	}
	if _, ok := p.Point("south-bay"); ok {
		t.Error("found a point that is not there")
	}
}
