package alerting

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"underkeep/store/site"
)

// A condition that a later version switches off ends with that version.
func TestAlarmEndsWithItsCondition(t *testing.T) {
	t.Parallel()
	first, second := testProperty(), testProperty()
	second.Effective = &site.Date{Year: 2026, Month: 6, Day: 2}
	second.Limits.Off = map[site.Condition]bool{site.HumidityHigh: true}
	tl := newTimeline(t, first, second)
	tl.air("north", 0, 48*h, 65)
	tl.clearedAt(tl.one(site.HumidityHigh, 6*h), 24*h) // 2 June begins at 24 h
}

// The gateway spoke for an hour before the first cycle, so its rest is known.
func TestFirstCycleAfterKnownRestIsLike(t *testing.T) {
	t.Parallel()
	p := testProperty()
	p.Sump.CommissionedDrawDown = 12 * time.Second
	tl := newTimeline(t, p)
	tl.air("north", 0, 5*h, 50)
	for i := range 5 {
		tl.put(h+time.Duration(i)*30*min1, "sump", site.PumpRun, 18) // 1.5 × 12 s
	}
	tl.one(site.PumpWeak, 3*h+18*time.Second)
}

// Only pump-on told of a run of 30 min: its duty holds the alarm until 12 min
// of it are left in the hour.
func TestRunThatOnlyPumpOnTold(t *testing.T) {
	t.Parallel()
	tl := newTimeline(t)
	tl.air("north", 0, 4*h, 50)
	tl.put(10*min1, "sump", site.PumpRun, 12)
	tl.put(h, "sump", site.PumpOn, 1)
	tl.put(h+30*min1, "sump", site.PumpOn, 0)
	tl.clearedAt(tl.one(site.PumpRunOn, h+10*min1), 2*h+18*min1+time.Microsecond)
}

// Where no gauge or station speaks, rain is unknown, not zero.
func TestUnknownRainIsNotCalledNone(t *testing.T) {
	t.Parallel()
	p := testProperty()
	p.Points = slices.DeleteFunc(p.Points, func(pt site.Point) bool { return slices.Contains(pt.Measures, site.Rain) })
	tl := newTimeline(t, p)
	tl.air("north", 0, h, 50)
	tl.put(10*min1, "sump", site.HighWater, 1)
	said := fmt.Sprint(tl.one(site.HighWaterAlarm, 11*min1).Causes)
	if !strings.Contains(said, "rain is not known here") || strings.Contains(said, "0.0 mm") {
		t.Error(said)
	}
}
