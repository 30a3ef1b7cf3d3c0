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

// A point that measures temperature alone is judged for frost like any other.
func TestPointOfTemperatureAlone(t *testing.T) {
	t.Parallel()
	p := testProperty()
	p.Points = append(p.Points, site.Point{ID: "pipe-bay", Measures: []site.Quantity{site.AirTemp}, Every: 5 * time.Minute})
	tl := newTimeline(t, p)
	tl.air("north", 0, 3*h, 50)
	tl.every(5*min1, 0, 3*h, "pipe-bay", site.AirTemp, constant(3.9))
	tl.one(site.FreezeRisk, h)
}

// What stands outdoors raises neither condensation nor wood nor leak.
func TestOutdoorsRaisesOnlyItsThree(t *testing.T) {
	t.Parallel()
	p := testProperty()
	for i := range p.Points {
		if id := p.Points[i].ID; id == "duct" || id == "joist" || id == "floor" {
			p.Points[i].Outdoors = true
		}
	}
	tl := newTimeline(t, p)
	tl.air("north", 0, 50*h, 55)
	tl.every(5*min1, 0, 50*h, "duct", site.SurfaceTemp, constant(2))
	tl.every(h, 0, 50*h, "joist", site.WoodMoisture, constant(30))
	tl.put(h, "floor", site.Leak, 1)
	tl.none(site.CondensationRisk)
	tl.none(site.WoodWet)
	tl.none(site.LeakAlarm)
}

// Four times 2.5 mm at the station, nothing in the gauge: in doubt with the
// fourth; the gauge's first drop begins the plausible day.
func TestGaugeAgainstItsStation(t *testing.T) {
	t.Parallel()
	for last, want := range map[float64]bool{2.5: true, 2.4: false} {
		p := testProperty()
		d := describe(p)
		d.Series = append(d.Series, Series{"", site.Rain})
		tl := &timeline{t: t, start: time.Date(2026, 6, 1, 4, 0, 0, 0, time.UTC), replay: NewReplay(d), series: map[Series]uint16{}}
		for i, s := range d.Series {
			tl.series[s] = uint16(i)
		}
		tl.air("north", 0, 60*h, 50)
		tl.every(h, 0, 60*h, "", site.Rain, func(at time.Duration) float64 {
			switch at {
			case 2 * h, 3 * h, 5 * h:
				return 2.5
			case 7 * h:
				return last
			}
			return 0
		})
		tl.put(12*h+7*min1, "gauge", site.Rain, 0.2)
		if !want {
			tl.none(site.SensorSuspect)
			continue
		}
		if a := tl.one(site.SensorSuspect, 7*h); a.Point != "gauge" || a.Causes[0].Cause != "gauge-blocked" {
			t.Errorf("%+v", a)
		} else {
			tl.clearedAt(a, 36*h+7*min1)
		}
	}
}

// Mold grows by the paired joist: air at 75 %RH and 24 °C is 97 %RH at a joist
// of 19.7 °C, and nothing in the middle of the space.
func TestMoldOnThePairedJoist(t *testing.T) {
	t.Parallel()
	p := testProperty()
	p.Points = append(p.Points, site.Point{ID: "joist-face", Measures: []site.Quantity{site.SurfaceTemp}, Surface: "joist", Air: "north", Every: h})

	tl := newTimeline(t, p)
	for _, n := range []string{"north", "south"} {
		tl.every(10*min1, 0, 60*24*h, n, site.RH, constant(75))
		tl.every(10*min1, 0, 60*24*h, n, site.AirTemp, constant(24))
	}
	tl.every(h, 0, 60*24*h, "joist-face", site.SurfaceTemp, constant(19.7))
	as := tl.alarms(site.MoldRisk)
	if len(as) != 1 || as[0].Point != "north" {
		t.Fatalf("want one alarm at north, got %v", as)
	}
}

// Local days of 23 and 25 hours: the clocks of New York change on
// 1 November 2026 and 14 March 2027. One cycle an hour is 23 and 25 of them.
func TestDryDaysFollowTheLocalClock(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		from time.Time
		want float64 // cycles of the odd day
	}{{time.Date(2026, 11, 1, 4, 0, 0, 0, time.UTC), 25}, {time.Date(2027, 3, 14, 5, 0, 0, 0, time.UTC), 23}} {
		tl := newTimeline(t)
		tl.start = c.from
		tl.air("north", -4*24*h, 26*h, 50)
		tl.every(h, -4*24*h+30*min1, 26*h, "sump", site.PumpRun, constant(12))
		tl.run()
		e := tl.replay.ev.e
		days := e.st.Pump.NormDaysL
		if n := len(days); n == 0 || days[n-1]/e.pr.storageL < c.want-0.01 || days[n-1]/e.pr.storageL > c.want+0.01 {
			t.Errorf("%s: days of %v L, a cycle is %.2f L, want %v cycles in the last", c.from, days, e.pr.storageL, c.want)
		}
	}
}
