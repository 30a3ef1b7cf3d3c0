package alerting

import (
	"testing"
	"time"

	"underkeep/store/site"
)

const day = 24 * h

func withoutWood(p site.Property) site.Property {
	p.Points = append([]site.Point(nil), p.Points...)
	for i := range p.Points {
		if p.Points[i].ID == "joist" {
			p.Points = append(p.Points[:i], p.Points[i+1:]...)
			break
		}
	}
	return p
}

// At 20 °C and 90 %RH the class sensitive needs (Hukka & Viitanen 1999 with the
// constants of Ojanen et al. 2010) tm/k1 weeks to index 1: the regression gives
// exp(-0.68 ln 20 - 13.9 ln 90 + 66.02) = exp(1.4355) = 4.20 weeks, divided by
// 0.578: 7.27 weeks, a little more as k2 slows growth near its end.
func TestMoldRiskAfterTheWeeksOfTheRegression(t *testing.T) {
	t.Parallel()
	tl := newTimeline(t)
	tl.air("north", 0, 75*day, 90)
	as := tl.alarms(site.MoldRisk)
	if len(as) != 1 || as[0].Priority != Low || as[0].Point != "north" {
		t.Fatalf("got %v", as)
	}
	if weeks := as[0].RaisedAt.Sub(tl.start).Hours() / 168; weeks < 7.27 || weeks > 7.5 {
		t.Errorf("index 1 after %.2f weeks", weeks)
	}
}

// Wood that is not measured follows its air with a time constant of 10 d. From
// 50 to 95 %RH at 20 °C the equilibrium goes from 9.2 to 24.0 % (Wood Handbook
// equation): 16 % is passed after 10 d × ln((24.0-9.2)/(24.0-16)) = 6.1 d, and the
// alarm follows a day later.
func TestWoodWetFollowsTheAir(t *testing.T) {
	t.Parallel()
	tl := newTimeline(t, withoutWood(testProperty()))
	tl.air("north", 0, 2*day, 50)
	tl.air("north", 2*day, 16*day, 95)
	as := tl.alarms(site.WoodWet)
	if len(as) != 1 {
		t.Fatalf("got %v", as)
	}
	if d := as[0].RaisedAt.Sub(tl.start).Hours()/24 - 2; d < 7.0 || d > 7.3 {
		t.Errorf("raised %.2f days after the change, want about 7.1", d)
	}
}

func TestMoreThanSixtyStartsAnHour(t *testing.T) {
	t.Parallel()
	for starts, want := range map[int]bool{60: false, 61: true} {
		tl := newTimeline(t)
		tl.air("north", 0, 6*h, 50)
		for i := range starts { // rests of 35 s: none of them short
			tl.put(2*h+time.Duration(i)*58*time.Second, "sump", site.PumpRun, 20)
		}
		as := tl.alarms(site.PumpShortCycling)
		if got := len(as) == 1; got != want {
			t.Errorf("%d starts: %v", starts, as)
		}
		if want && len(as) == 1 && as[0].RaisedAt.Sub(tl.start) != 2*h+60*58*time.Second {
			t.Errorf("raised %v", as[0].RaisedAt.Sub(tl.start))
		}
	}
}

func TestRainExplainsShortCycling(t *testing.T) {
	t.Parallel()
	tl := newTimeline(t)
	tl.air("north", 0, 6*h, 50)
	tl.put(h, "gauge", site.Rain, 5)
	for i := range 6 { // full runs, rests of 20 s
		tl.put(2*h+time.Duration(i)*40*time.Second, "sump", site.PumpRun, 20)
	}
	as := tl.alarms(site.PumpShortCycling)
	if len(as) != 1 || as[0].Priority != Low || as[0].Causes[0].Cause != causeInflow {
		t.Errorf("got %v", as)
	}
}

func TestOfflineForHalfAnHour(t *testing.T) {
	t.Parallel()
	tl := newTimeline(t)
	tl.air("north", 0, 2*h, 50)
	say := func(at time.Duration, p Presence) {
		rt := tl.start.Add(at)
		tl.queue = append(tl.queue, Message{Received: rt, Contact: Contact{At: rt.UnixMicro(), Presence: p}})
	}
	say(0, PresenceOnline)
	say(h+58*min1, PresenceOffline)
	say(3*h, PresenceOnline)
	a := tl.one(site.GatewaySilent, 2*h+25*min1+2*time.Second) // the last reading came at 1 h 55 min
	if a.Causes[0].Cause != causeGatewayOffline {
		t.Errorf("causes %v", a.Causes)
	}
	tl.clearedAt(a, 3*h)
}

// A retained presence seen again is no sign of life.
func TestPresenceSeenAgainIsNoSignOfLife(t *testing.T) {
	t.Parallel()
	tl := newTimeline(t)
	rt := func(at time.Duration) Contact {
		return Contact{At: tl.start.Add(at).UnixMicro(), Presence: PresenceOnline}
	}
	tl.air("north", 0, 2*h, 50)
	tl.queue = append(tl.queue, Message{Received: tl.start, Contact: rt(0)})
	for at := 2 * h; at < 4*h; at += 10 * min1 {
		tl.queue = append(tl.queue, Message{Received: tl.start.Add(at), Contact: rt(at)})
	}
	tl.one(site.GatewaySilent, 2*h+25*min1+2*time.Second)
}

func TestSensorDisagreesWithTwoOthers(t *testing.T) {
	t.Parallel()
	p := testProperty()
	p.Points = append(p.Points, site.Point{ID: "east", Measures: []site.Quantity{site.RH, site.AirTemp}, Every: 5 * time.Minute})
	tl := newTimeline(t, p)
	wobble := func(rh float64) func(time.Duration) float64 {
		return func(at time.Duration) float64 { return rh + float64(int(at.Minutes())/5%3)/10 }
	}
	for _, p := range []string{"north", "south", "east"} {
		tl.every(5*min1, 0, 60*h, p, site.AirTemp, wobble(20))
	}
	tl.every(5*min1, 0, 60*h, "north", site.RH, wobble(50))
	tl.every(5*min1, 0, 60*h, "south", site.RH, wobble(50))
	tl.every(5*min1, 0, h, "east", site.RH, wobble(50))
	tl.every(5*min1, h, 60*h, "east", site.RH, wobble(58)) // 16 % above the median of the other two
	as := tl.alarms(site.SensorSuspect)
	if len(as) != 1 || as[0].Point != "east" || as[0].RaisedAt.Sub(tl.start) != 49*h {
		t.Errorf("got %v", as)
	}
}

func TestRefusedReadingsPutASensorInDoubt(t *testing.T) {
	t.Parallel()
	for n, want := range map[int]bool{9: false, 10: true} {
		tl := newTimeline(t)
		tl.air("north", 0, 40*h, 50)
		for i := range n {
			rt := tl.start.Add(h + time.Duration(i)*min1)
			tl.queue = append(tl.queue, Message{Received: rt, Contact: Contact{At: rt.UnixMicro()},
				Refusals: []Refusal{{At: rt.UnixMicro(), Point: "south", Quantity: site.RH, Value: 512, Impossible: true}}})
		}
		as := tl.alarms(site.SensorSuspect)
		if got := len(as) == 1; got != want {
			t.Fatalf("%d refused: %v", n, as)
		}
		if want {
			if as[0].RaisedAt.Sub(tl.start) != h+9*min1 || as[0].Causes[0].Cause != causeRefused {
				t.Errorf("got %v", as[0])
			}
			tl.clearedAt(as[0], 25*h+9*min1)
		}
	}
}

// Without measured power, vapour pressure that does not fall tells that nothing dries.
func TestDehumidifierIdleWithoutPower(t *testing.T) {
	t.Parallel()
	p := testProperty()
	for i := range p.Points {
		if p.Points[i].ID == "dryer" {
			p.Points = append(p.Points[:i:i], p.Points[i+1:]...)
			break
		}
	}
	for name, tc := range map[string]struct {
		fall float64 // %RH an hour, at a constant temperature
		want bool
	}{"steady": {0, true}, "falling by 6 % in six hours": {0.7, false}} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			tl := newTimeline(t, p)
			tl.air("north", 0, 2*h, 50)
			tl.every(5*min1, 2*h, 12*h, "north", site.RH, func(at time.Duration) float64 { return 66 - tc.fall*(at-2*h).Hours() })
			tl.every(5*min1, 2*h, 12*h, "north", site.AirTemp, constant(20))
			as := tl.alarms(site.DehumidifierIdle)
			if got := len(as) == 1; got != tc.want {
				t.Errorf("got %v", as)
			}
			if tc.want && len(as) == 1 && as[0].RaisedAt.Sub(tl.start) != 8*h {
				t.Errorf("raised %v", as[0].RaisedAt.Sub(tl.start))
			}
		})
	}
}

// storm of 36 mm in six hours, with the cycles of a working pump or without.
func storm(tl *timeline, at time.Duration, pumps bool) {
	for k := range 12 {
		tl.put(at+time.Duration(k)*30*min1, "gauge", site.Rain, 3)
	}
	if pumps {
		for k := range 24 {
			tl.put(at+2*h+time.Duration(k)*20*min1+7*time.Second, "sump", site.PumpRun, 20)
		}
	}
}

// A flooded site that has pumped through storm after storm stays silent in the
// next; a dry site never ran and is left alone.
func TestPumpSilentInRain(t *testing.T) {
	t.Parallel()
	for history, want := range map[string]bool{"flooded": true, "dry": false} {
		t.Run(history, func(t *testing.T) {
			t.Parallel()
			p := testProperty()
			sump := *p.Sump
			sump.WaterHistory = history
			p.Sump = &sump
			tl := newTimeline(t, p)
			tl.air("north", 0, 60*day, 50)
			for k := range 7 {
				storm(tl, time.Duration(k)*7*day+day, history == "flooded" && k < 6)
			}
			tl.put(45*day, "sump", site.PumpRun, 20)
			as := tl.alarms(site.PumpSilentInRain)
			if got := len(as) == 1; got != want {
				t.Fatalf("got %v", as)
			}
			if want {
				if at := as[0].RaisedAt.Sub(tl.start); at < 43*day || at > 44*day || as[0].Priority != High {
					t.Errorf("got %v after the start", at)
				}
				tl.clearedAt(as[0], 45*day)
			}
		})
	}
}

// A silence that the mains explain is visible and nobody's alarm.
func TestMainsLostExplainsTheSilentPump(t *testing.T) {
	t.Parallel()
	p := testProperty()
	sump := *p.Sump
	sump.WaterHistory = "flooded"
	p.Sump = &sump
	tl := newTimeline(t, p)
	tl.air("north", 0, 50*day, 50)
	for k := range 7 {
		storm(tl, time.Duration(k)*7*day+day, k < 6)
	}
	tl.put(42*day, "house", site.Mains, 0)
	tl.put(45*day, "house", site.Mains, 1)
	tl.put(45*day+min1, "sump", site.PumpRun, 30)
	as := tl.alarms(site.PumpSilentInRain)
	for _, a := range as {
		if a.SuppressedBy != site.MainsLost {
			t.Errorf("not explained by the mains: %+v", a)
		}
	}
	if len(as) == 0 {
		t.Error("not visible at all")
	}
}
