package alerting

import (
	"slices"
	"testing"
	"time"

	"underkeep/store/site"
)

// A way out that dies with the mains is known by its silence; the mains, the
// leak that follows and what comes later all join the call that was made.
func TestMainsJoinTheSilenceTheyCaused(t *testing.T) {
	t.Parallel()
	noon := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	silent := Alarm{Property: "p", Condition: site.GatewaySilent, Priority: Medium, RaisedAt: noon.Add(30 * time.Minute), ClearedAt: noon.Add(9 * time.Hour), CallOut: "first"}
	mains := Alarm{Property: "p", Condition: site.MainsLost, Priority: High, RaisedAt: noon.Add(5 * time.Minute), ClearedAt: noon.Add(9*time.Hour + 5*time.Minute), CallOut: "mains"}
	leak := Alarm{Property: "p", Condition: site.LeakAlarm, Point: "low", Priority: High, RaisedAt: noon.Add(6 * time.Hour), CallOut: "mains"}
	ledger := Apply([]Alarm{silent}, reconcile([]Alarm{silent}, []Alarm{mains, leak}, noon.UnixMicro(), noon.Add(9*time.Hour)))
	if len(ledger) != 3 || ledger[1].CallOut != "first" || ledger[2].CallOut != "first" {
		t.Fatalf("ledger %+v", ledger)
	}
	// The evaluator goes on with its own names; so must the ledger with its.
	humid := Alarm{Property: "p", Condition: site.HumidityHigh, Point: "north", Priority: Medium, RaisedAt: noon.Add(20 * time.Hour), CallOut: "mains"}
	ledger = Apply(ledger, reconcile(ledger, []Alarm{mains, leak, humid}, noon.Add(10*time.Minute).UnixMicro(), noon.Add(20*time.Hour)))
	if len(ledger) != 4 || ledger[3].CallOut != "first" {
		t.Errorf("ledger %+v", ledger)
	}
	// Mains lost another day are another call.
	later := mains
	later.RaisedAt, later.ClearedAt, later.CallOut = noon.Add(72*time.Hour), time.Time{}, "later"
	ledger = Apply(ledger, reconcile(ledger, []Alarm{later}, noon.Add(71*time.Hour).UnixMicro(), noon.Add(73*time.Hour)))
	if got := ledger[len(ledger)-1]; got.CallOut != "later" {
		t.Errorf("mains lost another day: %+v", got)
	}
}

func TestSwelling(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name  string
		rests []float64
		want  bool
	}{
		{"ground water rises", []float64{90000, 30000, 20000, 15000, 12000}, true},
		{"a pipe breaks", []float64{90000, 7000, 7100, 6950, 7050}, false},
		{"a pipe breaks just now", []float64{30000, 7000, 7000, 7000}, false},
		{"too few to say", []float64{30000, 20000, 10000}, false},
	} {
		if got := swelling(c.rests); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// Water above the high-water float, rain, and no run for hours: whatever the
// site's response expects, no working pump is silent now. Minutes after a run
// it may be a pump that cannot keep up, of which no finished run tells.
func TestHighWaterProvesTheSilence(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name    string
		lastRun time.Duration
		want    int
	}{{"hours after the last run", 2 * h, 1}, {"minutes after the last run", 5*h + 50*min1, 0}} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			tl := newTimeline(t)
			tl.air("north", 0, 9*h, 50)
			tl.put(c.lastRun, "sump", site.PumpRun, 20)
			tl.put(5*h, "gauge", site.Rain, 1.2)
			tl.put(6*h, "sump", site.HighWater, 1)
			as := tl.alarms(site.PumpSilentInRain)
			if len(as) != c.want {
				t.Fatalf("%d alarms: %+v", len(as), as)
			}
			if c.want == 1 && as[0].RaisedAt.Before(tl.start.Add(6*h)) {
				t.Errorf("raised %s", as[0].RaisedAt.Sub(tl.start))
			}
		})
	}
}

// 24 % in the wood over air at 50 %RH and 20 °C, where the Wood Handbook's
// table has 9.2 %: this water did not come from the air.
func TestWetWoodInDryAirIsLocal(t *testing.T) {
	t.Parallel()
	tl := newTimeline(t)
	tl.air("north", 0, 30*h, 50)
	tl.every(time.Hour, 0, 30*h, "joist", site.WoodMoisture, constant(24))
	as := tl.alarms(site.WoodWet)
	if len(as) != 1 || len(as[0].Causes) == 0 || as[0].Causes[0].Cause != causeLocal {
		t.Errorf("alarms %+v", as)
	}
}

// A check valve that leaks back makes hundreds of cycles of one storm's water.
// After the repair the pump may keep silent in an ordinary rain.
func TestShortCyclingTeachesNoResponse(t *testing.T) {
	t.Parallel()
	tl := newTimeline(t)
	tl.every(4*h, 0, 340*h, "gauge", site.Rain, func(at time.Duration) float64 {
		if at%(48*h) < 12*h && at < 240*h || at >= 300*h && at < 312*h {
			return 2
		}
		return 0
	})
	for at := 2 * h; at < 240*h; at += 40 * time.Second {
		tl.put(at, "sump", site.PumpRun, 15)
	}
	tl.put(290*h, "sump", site.PumpRun, 20)
	if as := tl.alarms(site.PumpShortCycling); len(as) != 1 {
		t.Fatalf("short cycling: %+v", as)
	}
	tl.none(site.PumpSilentInRain)
}

// A gateway whose clock is wrong has the readings of all its points refused:
// each is in doubt, each falls silent, and people are called once, for the clock.
func TestAWrongClockIsOneCallOut(t *testing.T) {
	t.Parallel()
	tl := newTimeline(t)
	tl.air("north", 0, 2*h, 50)
	tl.air("south", 0, 2*h, 50)
	for at := 2 * h; at < 7*h; at += 5 * min1 {
		rt := tl.start.Add(at)
		m := Message{Received: rt, Contact: Contact{At: rt.UnixMicro()}}
		for _, point := range []string{"north", "south"} {
			m.Refusals = append(m.Refusals, Refusal{At: rt.UnixMicro(), Point: point, Quantity: site.RH, Value: 50})
		}
		tl.queue = append(tl.queue, m)
	}
	suspect := tl.alarms(site.SensorSuspect)
	silent := slices.DeleteFunc(tl.replay.Alarms(), func(a Alarm) bool { return a.Condition != site.PointSilent || a.Point != "north" && a.Point != "south" })
	if len(suspect) != 2 || len(silent) != 2 {
		t.Fatalf("in doubt %v, silent %v", suspect, silent)
	}
	for _, a := range append(suspect, silent...) {
		if a.Causes[0].Cause != causeClock || a.CallOut != suspect[0].CallOut {
			t.Errorf("%s of %s: first cause %s, call-out %s", a.Condition, a.Point, a.Causes[0].Cause, a.CallOut)
		}
	}
}
