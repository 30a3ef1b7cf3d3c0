package alerting

import (
	"testing"
	"time"

	"underkeep/store/site"
)

// otherWater are ways in which water comes without rain, on a basin that in dry weather
// runs twice a day. Which way is which is common practice, no source: a pipe breaks at
// once and runs evenly, ground water rises over days, sprinklers keep their hours, melt
// water comes by day after frost.
var otherWater = []struct {
	name string
	want string
	runs func(run func(at time.Duration))
	outC func(at time.Duration) float64
}{
	{"a pipe breaks at three in the afternoon", causePlumbing, func(run func(time.Duration)) {
		for at := 14*day + 15*h; at < 17*day; at += 40 * min1 {
			run(at)
		}
	}, constant(15)},
	{"the water table rises over three days", causeSpring, func(run func(time.Duration)) {
		rest := 10 * h
		for at := 14 * day; at < 20*day; at += rest {
			run(at)
			rest = max(rest*88/100, 30*min1)
		}
	}, constant(15)},
	{"sprinklers at five every morning", causeIrrigation, func(run func(time.Duration)) {
		for d := 14 * day; d < 18*day; d += day {
			for at := d + 5*h; at < d+6*h+30*min1; at += 9 * min1 {
				run(at)
			}
		}
	}, constant(15)},
	{"snow melts in the sun", causeSnowMelt, func(run func(time.Duration)) {
		for d := 14 * day; d < 18*day; d += day {
			at := d + 10*h
			for _, rest := range []time.Duration{100, 50, 25, 25, 20, 25, 40, 90, 150} {
				run(at)
				at += rest * min1
			}
		}
	}, func(at time.Duration) float64 {
		if hour := at % day; hour < 9*h || hour >= 18*h {
			return -4
		}
		return 5
	}},
}

func TestWaterWithoutRainIsToldApart(t *testing.T) {
	t.Parallel()
	for _, c := range otherWater {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			tl := newTimeline(t)
			tl.air("north", 0, 20*day, 50)
			tl.every(15*min1, 0, 20*day, "out", site.AirTemp, c.outC)
			for d := range 14 {
				for k := range 2 {
					tl.put(time.Duration(d)*day+time.Duration(k*12+3)*h, "sump", site.PumpRun, 20)
				}
			}
			c.runs(func(at time.Duration) { tl.put(at, "sump", site.PumpRun, 20) })
			as := tl.alarms(site.WaterUnexplained)
			if len(as) == 0 {
				t.Fatal("not called")
			}
			if as[0].Causes[0].Cause != c.want {
				t.Errorf("first cause %s %q", as[0].Causes[0].Cause, as[0].Causes[0].Evidence)
			}
			tl.none(site.PumpSilentInRain) // and its end is no failure of the pump
		})
	}
}
