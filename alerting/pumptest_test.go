package alerting

import (
	"testing"
	"time"

	"underkeep/store/site"
)

// tested adds a pump test, recorded at a receipt time.
func (tl *timeline) tested(at, recorded time.Duration, drawDownS float64) {
	tl.queue = append(tl.queue, Message{Received: tl.start.Add(recorded), Silent: true,
		Tests: []PumpTest{{At: tl.start.Add(at).UnixMicro(), DrawDownS: drawDownS}}})
}

// A pump whose file says nothing of a draw-down and whose basin has none as
// built is held against the bucket test: 20 s, so 30 s is 1.5 times as long.
// Five cycles before the test are not held against it, and the alarm is the
// same whether the test was recorded then or hours later.
func TestBucketTestIsTheBaseline(t *testing.T) {
	t.Parallel()
	for name, recorded := range map[string]time.Duration{"then": 10*h + time.Minute, "hours later": 28 * h} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			p := testProperty()
			p.Sump = nil
			tl := newTimeline(t, p)
			tl.air("north", 0, 30*h, 50)
			for i := range 4 {
				tl.put(time.Duration(i+6)*h, "sump", site.PumpRun, 30)
			}
			tl.tested(10*h, recorded, 20)
			for i := range 5 {
				tl.put(time.Duration(i+11)*h, "sump", site.PumpRun, 30)
			}
			for i := range 6 {
				tl.put(time.Duration(i+16)*h, "sump", site.PumpRun, 24)
			}
			a := tl.one(site.PumpWeak, 15*h+30*time.Second)
			tl.clearedAt(a, 20*h+24*time.Second)
		})
	}
}

// The bucket test also says what a short cycle is: under 60 % of 20 s.
func TestBucketTestSaysWhatIsShort(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		run    float64
		raised bool
	}{"just under": {11.9, true}, "just at": {12, false}} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			p := testProperty()
			p.Sump = nil
			tl := newTimeline(t, p)
			tl.air("north", 0, 6*h, 50)
			tl.tested(h, h, 20)
			for i := range 5 {
				tl.put(2*h+time.Duration(i)*5*time.Minute, "sump", site.PumpRun, c.run)
			}
			if as := tl.alarms(site.PumpShortCycling); (len(as) == 1) != c.raised {
				t.Errorf("runs of %g s after a draw-down of 20 s: %d alarms", c.run, len(as))
			}
		})
	}
}

// A new pump in the description ends what the bucket test said of the old one;
// a change of anything else does not.
func TestBucketTestHoldsForItsPump(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		change func(*site.Property)
		raised bool
	}{
		"another pump":  {func(p *site.Property) { p.Sump.CommissionedDrawDown = 40 * time.Second }, false},
		"another owner": {func(p *site.Property) { p.Owner.Name = "T. Lindqvist" }, true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			first, second := testProperty(), testProperty()
			sump := *first.Sump
			second.Sump = &sump
			second.Effective = &site.Date{Year: 2026, Month: 6, Day: 2}
			c.change(&second)
			tl := newTimeline(t, first, second)
			tl.air("north", 0, 48*h, 50)
			tl.tested(h, h, 10)
			for i := range 6 {
				tl.put(time.Duration(i+30)*h, "sump", site.PumpRun, 16)
			}
			if as := tl.alarms(site.PumpWeak); (len(as) == 1) != c.raised {
				t.Errorf("%d alarms", len(as))
			}
		})
	}
}

// A recorded test proves the pump although no cycle was reported and no reading
// follows.
func TestPumpTestEndsTheSilence(t *testing.T) {
	t.Parallel()
	p := testProperty()
	sump := *p.Sump
	sump.WaterHistory = "flooded"
	p.Sump = &sump
	tl := newTimeline(t, p)
	tl.air("north", 0, 44*day, 50)
	for k := range 7 {
		storm(tl, time.Duration(k)*7*day+day, k < 6)
	}
	if as := tl.alarms(site.PumpSilentInRain); len(as) != 1 || !as[0].ClearedAt.IsZero() {
		t.Fatalf("before the test: %+v", as)
	}
	tl.tested(44*day, 44*day+min1, 0)
	tl.clearedAt(tl.alarms(site.PumpSilentInRain)[0], 44*day)
}
