package visit

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"underkeep/store/site"
)

func day(t *testing.T, s string) site.Date {
	t.Helper()
	d, err := site.ParseDate(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// Worked by hand on a calendar: months end where they end, and 2028 is a leap
// year, 2100 is none.
func TestAddMonths(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		from   string
		months int
		want   string
	}{
		{"2026-03-02", 6, "2026-09-02"},
		{"2026-08-31", 6, "2027-02-28"},
		{"2027-08-31", 6, "2028-02-29"},
		{"2028-02-29", 12, "2029-02-28"},
		{"2028-02-29", 48, "2032-02-29"},
		{"2096-02-29", 48, "2100-02-28"},
		{"2026-10-31", 1, "2026-11-30"},
		{"2026-12-15", 1, "2027-01-15"},
		{"2026-01-31", 0, "2026-01-31"},
	} {
		if got := AddMonths(day(t, c.from), c.months).String(); got != c.want {
			t.Errorf("%s and %d months: %s, want %s", c.from, c.months, got, c.want)
		}
	}
}

// The count of days agrees with adding them, over leap days and turns of the
// year.
func TestDaysBetweenIsTheInverseOfAddDays(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		d := site.Date{Year: rapid.IntRange(1995, 2190).Draw(t, "year"), Month: time.Month(rapid.IntRange(1, 12).Draw(t, "month")), Day: rapid.IntRange(1, 28).Draw(t, "day")}
		n := rapid.IntRange(-2000, 2000).Draw(t, "days")
		if got := DaysBetween(d, d.AddDays(n)); got != n {
			t.Fatalf("%s to %d days later: %d", d, n, got)
		}
	})
}

func newYork(t *testing.T) *time.Location {
	t.Helper()
	z, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// 90 days from a cycle on 1 October 2026 at 23:30 local end on 30 December. The
// clocks go back on 1 November: in hours it is one more, in days it is not, and
// the UTC day of the cycle is the next one.
func TestUnprovenPumpAcrossAChangeOfClocks(t *testing.T) {
	t.Parallel()
	zone := newYork(t)
	h := History{Zone: zone, Installed: day(t, "2026-03-02"), Pump: true, Reports: true,
		Cycle: time.Date(2026, 10, 1, 23, 30, 0, 0, zone), PumpTest: time.Date(2026, 5, 1, 12, 0, 0, 0, zone)}
	for _, c := range []struct {
		now  time.Time
		days int
	}{
		{time.Date(2026, 12, 29, 23, 59, 0, 0, zone), 1},
		{time.Date(2026, 12, 30, 0, 0, 0, 0, zone), 0},
		{time.Date(2026, 12, 30, 23, 59, 59, 0, zone), 0},
		{time.Date(2026, 12, 31, 0, 0, 0, 0, zone), -1},
	} {
		got := find(t, Plans(h, DefaultTerms(), c.now), TaskUnproven)
		if got.On.String() != "2026-12-30" || got.Days != c.days || got.Overdue() != (c.days < 0) {
			t.Errorf("at %s: on %s, %d days", c.now, got.On, got.Days)
		}
	}
}

func find(t *testing.T, ds []Due, task Task) Due {
	t.Helper()
	for _, d := range ds {
		if d.Task == task {
			return d
		}
	}
	t.Fatalf("no %s in %+v", task, ds)
	return Due{}
}

// A test proves a pump as well as a cycle does; the later of the two counts.
func TestATestProvesThePump(t *testing.T) {
	t.Parallel()
	zone := newYork(t)
	h := History{Zone: zone, Installed: day(t, "2026-03-02"), Pump: true, Reports: true,
		Cycle: time.Date(2026, 3, 1, 12, 0, 0, 0, zone), PumpTest: time.Date(2026, 6, 1, 12, 0, 0, 0, zone)}
	now := time.Date(2026, 7, 1, 12, 0, 0, 0, zone)
	if got := find(t, Plans(h, DefaultTerms(), now), TaskUnproven).On.String(); got != "2026-08-30" {
		t.Errorf("proof runs out on %s", got)
	}
	if got := find(t, Plans(h, DefaultTerms(), now), TaskPumpTest).On.String(); got != "2027-06-01" {
		t.Errorf("next test on %s", got)
	}
}

// Within 30 days of 1 June and until 30 November an unproven pump comes before
// what else is overdue; in winter it does not.
func TestWetSeasonPutsThePumpFirst(t *testing.T) {
	t.Parallel()
	zone := newYork(t)
	for _, c := range []struct {
		now string
		wet bool
	}{
		{"2026-05-01", false}, {"2026-05-02", true}, {"2026-06-01", true}, {"2026-11-30", true}, {"2026-12-01", false}, {"2027-02-10", false},
	} {
		now := day(t, c.now).In(zone).Add(12 * time.Hour)
		h := History{Zone: zone, Installed: day(t, "2024-03-02"), Pump: true, Reports: true, Dehumidifier: true,
			Cycle: now.AddDate(0, 0, -95), PumpTest: now.AddDate(0, 0, -95), Filter: now.AddDate(0, -7, 0)}
		got := Plans(h, DefaultTerms(), now)
		if u := find(t, got, TaskUnproven); u.Wet != c.wet {
			t.Errorf("%s: wet %v", c.now, u.Wet)
		}
		if first := got[0].Task == TaskUnproven; first != c.wet {
			t.Errorf("%s: first is %s", c.now, got[0].Task)
		}
	}
	over := Terms{UnprovenDays: 90, WetFrom: MonthDay{time.November, 1}, WetTo: MonthDay{time.February, 28}}
	h := History{Zone: zone, Installed: day(t, "2024-03-02"), Pump: true, Reports: true}
	for at, wet := range map[string]bool{"2026-12-31": true, "2027-01-01": true, "2027-02-28": true, "2027-03-01": false, "2026-10-31": false} {
		if got := find(t, Plans(h, over, day(t, at).In(zone).Add(time.Hour)), TaskUnproven); got.Wet != wet {
			t.Errorf("a season over the new year, %s: wet %v", at, got.Wet)
		}
	}
}

// Intervals run from the last time, else from the hand-over, else from the day
// of installation.
func TestIntervalsRunFromTheLastTime(t *testing.T) {
	t.Parallel()
	zone := newYork(t)
	h := History{Zone: zone, Installed: day(t, "2026-03-02"), Dehumidifier: true}
	now := time.Date(2026, 4, 1, 12, 0, 0, 0, zone)
	filter := func() string { return find(t, Plans(h, DefaultTerms(), now), TaskFilter).On.String() }
	if got := filter(); got != "2026-09-02" {
		t.Errorf("from installation %s", got)
	}
	h.HandedOver = time.Date(2026, 3, 20, 15, 0, 0, 0, zone)
	if got := filter(); got != "2026-09-20" {
		t.Errorf("from the hand-over %s", got)
	}
	h.Filter = time.Date(2026, 8, 31, 15, 0, 0, 0, zone)
	if got := filter(); got != "2027-02-28" {
		t.Errorf("from the last change %s", got)
	}
}

// One visit checks the sensors that follow within a month; a planned visit
// takes the task off the top of the list.
func TestSensorsGoTogether(t *testing.T) {
	t.Parallel()
	zone := newYork(t)
	at := func(m time.Month, d int) time.Time { return time.Date(2026, m, d, 12, 0, 0, 0, zone) }
	h := History{Zone: zone, Installed: day(t, "2025-03-02"), Dehumidifier: true, Filter: at(1, 1),
		Sensors: []SensorHistory{{"north", at(3, 10)}, {"south", at(3, 1)}, {"west", at(6, 1)}}}
	got := find(t, Plans(h, DefaultTerms(), time.Date(2027, 4, 1, 12, 0, 0, 0, zone)), TaskSensorCheck)
	if got.On.String() != "2027-03-01" || len(got.Points) != 2 || got.Points[0] != "south" || got.Days != -31 {
		t.Errorf("got %+v", got)
	}
	h.Open = []Visit{{ID: "tern-03.v2", Kind: PumpTesting}, {ID: "tern-03.v3", Kind: Service}}
	ds := Plans(h, DefaultTerms(), time.Date(2027, 4, 1, 12, 0, 0, 0, zone))
	if d := find(t, ds, TaskSensorCheck); d.Visit != "tern-03.v3" {
		t.Errorf("covered by %q", d.Visit)
	}
}

// What is not there is not due.
func TestNothingIsDueWhereNothingIs(t *testing.T) {
	t.Parallel()
	h := History{Zone: time.UTC, Installed: day(t, "2020-03-02")}
	if ds := Plans(h, DefaultTerms(), time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)); len(ds) != 0 {
		t.Errorf("due: %+v", ds)
	}
}
