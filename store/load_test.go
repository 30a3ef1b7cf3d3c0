package store

import (
	"cmp"
	"slices"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"

	"underkeep/alerting"
	"underkeep/alerting/load"
	"underkeep/store/site"
)

func TestAlarmLoadTellsWhatWasShown(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07", "plover-21")
	ctx, from := t.Context(), testNow.Add(-24*time.Hour)
	at := func(h int) time.Time { return from.Add(time.Duration(h) * time.Hour) }
	rise := []alerting.PriorityChange{{At: at(3), Priority: alerting.High}}
	given(t, s, "heron-07", 1, alerting.Alarm{Point: "north-bay", RaisedAt: at(1), PriorityChanges: rise, Priority: alerting.High})
	given(t, s, "heron-07", 2, alerting.Alarm{Condition: site.DehumidifierIdle, RaisedAt: at(2), SuppressedBy: site.MainsLost})
	given(t, s, "heron-07", 3, alerting.Alarm{Condition: site.BatteryLow, Point: "south-bay", RaisedAt: at(-40), ClearedAt: at(-30)}) // before
	given(t, s, "heron-07", 4, alerting.Alarm{Condition: site.MoldRisk, Point: "south-bay", RaisedAt: at(-40), ClearedAt: at(5)})     // into it
	given(t, s, "heron-07", 5, alerting.Alarm{Condition: site.WoodWet, Point: "south-bay", RaisedAt: at(24)})                         // after
	wet := given(t, s, "plover-21", 1, alerting.Alarm{Condition: site.LeakAlarm, Point: "sump", RaisedAt: at(4), ClearedAt: at(6)})
	shelve := Answer{Scope: AllProperties, Alarm: wet, By: "Kim", Why: "part ordered", Now: at(7)}
	if err := s.Shelve(ctx, shelve, at(48)); err != nil {
		t.Fatal(err)
	}
	given(t, s, "plover-21", 2, alerting.Alarm{Condition: site.LeakAlarm, Point: "sump", RaisedAt: at(8)})

	got, err := s.AlarmLoad(ctx, AllProperties, from, testNow, testNow)
	if err != nil {
		t.Fatal(err)
	}
	slices.SortFunc(got, func(a, b load.Alarm) int {
		return cmp.Or(cmp.Compare(a.Property, b.Property), a.KnownAt.Compare(b.KnownAt))
	})
	want := []load.Alarm{
		{Property: "heron-07", Condition: site.MoldRisk, Point: "south-bay", Priority: alerting.Medium, KnownAt: at(-40), EndedAt: at(5)},
		{Property: "heron-07", Condition: site.HumidityHigh, Point: "north-bay", Priority: alerting.High, KnownAt: at(1), Escalations: 1},
		{Property: "heron-07", Condition: site.DehumidifierIdle, Priority: alerting.Medium, KnownAt: at(2), Began: load.SuppressedByDesign, Now: load.SuppressedByDesign},
		// Shown at 4, put aside at 7: shown, and away now.
		{Property: "plover-21", Condition: site.LeakAlarm, Point: "sump", Priority: alerting.Medium, KnownAt: at(4), EndedAt: at(6), Now: load.Shelved, AwayAt: at(7)},
		{Property: "plover-21", Condition: site.LeakAlarm, Point: "sump", Priority: alerting.Medium, KnownAt: at(8), Began: load.Shelved, Now: load.Shelved, AwayAt: at(7)},
	}
	if diff := gocmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	for _, c := range []struct {
		scope Scope
		now   time.Time
		want  int
	}{{Scope{Properties: []string{"plover-21"}}, testNow, 2}, {Scope{}, testNow, 0}} {
		if got, err := s.AlarmLoad(ctx, c.scope, from, testNow, c.now); err != nil || len(got) != c.want {
			t.Errorf("%+v: %d alarms, %v", c.scope, len(got), err)
		}
	}
	// Once the shelving has run out, nothing is away; what began in it still did.
	got, err = s.AlarmLoad(ctx, Scope{Properties: []string{"plover-21"}}, from, testNow, at(48))
	if err != nil {
		t.Fatal(err)
	}
	r := load.Compute(load.Period{From: from, To: testNow, Operators: 1}, got)
	if r.Alarms != 1 || r.Held != 1 || r.ShelvedNow != 0 {
		t.Errorf("%+v", r)
	}
}
