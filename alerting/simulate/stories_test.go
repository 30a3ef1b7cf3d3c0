package simulate_test

import (
	"testing"
	"time"

	"underkeep/alerting"
	"underkeep/alerting/simulate"
	"underkeep/store/site"
)

// told are the conditions that must show at the cottages of the fleet, by
// number: in the history, or within two minutes of the live start.
var told = map[int]site.Condition{
	0: site.HumidityHigh, 2: site.HumidityHigh, 4: site.PumpWeak, 5: site.CondensationRisk, 7: site.GatewaySilent, 8: site.BatteryLow,
	10: site.WaterUnexplained, 11: site.HumidityHigh, 14: site.LeakAlarm, 15: site.FanStopped, 17: site.SensorSuspect,
	19: site.PumpSilentInRain, 21: site.DehumidifierWeak, 22: site.MainsLost,
}

// The demonstration shows what it says: each arranged trouble is called, the
// first cottage's was cleared, the third's falls due while one watches, and
// the other cottages are quiet.
func TestFleetStories(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("evaluates three months of the fleet")
	}
	live := time.Date(2026, 11, 25, 14, 3, 20, 0, time.UTC)
	f := simulate.NewFleet(24, 1, live)
	arranged := map[string]bool{}
	for _, n := range f.Notes {
		arranged[n.Property] = true
	}
	ways := map[string]*receiver{}
	for _, s := range f.Spaces {
		ways[s.ID()] = newReceiver(s.Property())
	}
	take := func(s *simulate.Space, m simulate.Message) error { ways[s.ID()].take(m); return nil }
	if err := f.History(take); err != nil {
		t.Fatal(err)
	}
	if err := f.Advance(live.Add(3*time.Minute), take); err != nil {
		t.Fatal(err)
	}
	for i, s := range f.Spaces {
		w := ways[s.ID()]
		if err := w.replay(); err != nil {
			t.Fatal(err)
		}
		checkStory(t, i, s.ID(), arranged[s.ID()], w.r.Alarms(), live)
	}
}

func checkStory(t *testing.T, i int, id string, arranged bool, alarms []alerting.Alarm, live time.Time) {
	t.Helper()
	found := alerting.Alarm{}
	for _, a := range alarms {
		if a.SuppressedBy == "" && a.Condition == told[i] {
			found = a
		}
		// The past is sent in packs of six hours, so silences by receipt say nothing.
		if a.SuppressedBy == "" && !arranged && a.Condition != site.GatewaySilent {
			t.Errorf("%s, which is well, raised %s %s at %s: %v", id, a.Condition, a.Point, a.RaisedAt, a.Causes)
		}
	}
	switch {
	case told[i] == "":
	case found.Condition == "" && told[i] != site.GatewaySilent: // silence is known only when somebody asks later
		t.Errorf("%s: no %s among %d alarms", id, told[i], len(alarms))
	case i == 0 && found.ClearedAt.IsZero():
		t.Errorf("%s: not cleared: %+v", id, found)
	case i == 2 && (found.RaisedAt.Before(live) || found.RaisedAt.After(live.Add(2*time.Minute))):
		t.Errorf("%s: raised at %s, live at %s", id, found.RaisedAt, live)
	}
}
