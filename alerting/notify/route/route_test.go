package route

import (
	"testing"
	"time"

	"underkeep/alerting"
	"underkeep/store/site"
)

func newYork(t *testing.T) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

// TestDaytimeOnNightsOfTheClockChange is worked by hand: in New York the clock
// went from 02:00 to 03:00 on March 8, 2026 (UTC-5 to UTC-4) and back on
// November 1 (US Energy Policy Act of 2005, section 110). A message that waits
// for daytime goes out at 07:00 by the wall clock, which is another distance
// from midnight on each of those nights.
func TestDaytimeOnNightsOfTheClockChange(t *testing.T) {
	t.Parallel()
	zone := newYork(t)
	c := Default()
	for _, x := range []struct{ at, want string }{
		{"2026-03-07T23:30:00-05:00", "2026-03-08T07:00:00-04:00"}, // the short night: 6 h 30 min later
		{"2026-10-31T23:30:00-04:00", "2026-11-01T07:00:00-05:00"}, // the long night: 8 h 30 min later
		{"2026-11-01T01:30:00-04:00", "2026-11-01T07:00:00-05:00"}, // in the first of the two hours
		{"2026-07-14T03:00:00-04:00", "2026-07-14T07:00:00-04:00"},
		{"2026-07-14T12:00:00-04:00", "2026-07-14T12:00:00-04:00"}, // it is day
	} {
		at, err := time.Parse(time.RFC3339, x.at)
		if err != nil {
			t.Fatal(err)
		}
		told := c.Plan(Event{Property: "heron-07", Zone: zone, Condition: site.HumidityHigh, Priority: alerting.Medium, At: at},
			[]Person{{ID: 1, Role: Owner, Email: "owner@example.org"}})
		if len(told) != 1 {
			t.Fatalf("%s: %+v", x.at, told)
		}
		if got := told[0].At.In(zone).Format(time.RFC3339); got != x.want {
			t.Errorf("%s: told at %s, want %s", x.at, got, x.want)
		}
	}
}

// TestUrgentAtNight is the default timeline of an urgent alarm at 02:00: owner
// and manager at once, manager and technician after 15 min, manager after 2 h.
func TestUrgentAtNight(t *testing.T) {
	t.Parallel()
	zone := newYork(t)
	at := time.Date(2026, 7, 14, 2, 0, 0, 0, zone)
	told := Default().Plan(Event{Property: "heron-07", Zone: zone, Condition: site.HighWaterAlarm, Priority: alerting.Urgent, At: at}, []Person{
		{ID: 1, Role: Owner, Email: "owner@example.org", Phone: "+15550100100"},
		{ID: 2, Role: Manager, Email: "manager@example.org", Phone: "+15550100200"},
		{ID: 3, Role: Technician, Email: "crew@example.org", Phone: "+15550100300"},
	})
	type line struct {
		person  int32
		channel Channel
		after   time.Duration
		step    int
	}
	want := map[line]bool{
		{1, Mail, 0, 0}: true, {2, Mail, 0, 0}: true, {2, Text, 0, 0}: true,
		{2, Mail, 15 * time.Minute, 1}: true, {2, Text, 15 * time.Minute, 1}: true,
		{3, Mail, 15 * time.Minute, 1}: true, {3, Text, 15 * time.Minute, 1}: true,
		{2, Mail, 2 * time.Hour, 3}: true, {2, Text, 2 * time.Hour, 3}: true,
	}
	for _, x := range told {
		l := line{x.Person, x.Channel, x.At.Sub(at), x.Step}
		if !want[l] {
			t.Errorf("told without a rule: %+v", l)
		}
		delete(want, l)
	}
	for l := range want {
		t.Errorf("not told: %+v", l)
	}
}

func TestRulesThatCannotBeMeantAreRefused(t *testing.T) {
	t.Parallel()
	for _, document := range []string{
		`rules: [{to: [owner], by: [pigeon]}]`, `rules: [{to: [everyone-else]}]`, `rules: [{to: [owner], at_least: dire}]`,
		`night: "21:00"`, `night: "07:00-07:00"`, `working: {hours: "25:00-26:00"}`, `rules: [{to: [owner], wait_for: springtime}]`, `unknown: 1`,
	} {
		if _, err := Parse([]byte(document)); err == nil {
			t.Errorf("%s is taken", document)
		}
	}
	if _, err := Parse(DefaultDocument()); err != nil {
		t.Errorf("the default is refused: %v", err)
	}
}
