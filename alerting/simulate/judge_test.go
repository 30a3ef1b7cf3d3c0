package simulate_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"underkeep/alerting/simulate"
	"underkeep/store/site"
)

// minutes is a record of one property whose indoor point reads rh(i) at 20 °C.
func minutes(n int, rh func(i int) float64) *simulate.Truth {
	start := time.Date(2013, 6, 1, 0, 0, 0, 0, time.UTC)
	c := simulate.Cottage{ID: "j-1", Name: "j", Installed: start.AddDate(0, -3, 0), AirPoints: 1, NoOutdoors: true, NoSump: true, NoGauge: true, NoDehumidifier: true}
	t := &simulate.Truth{Property: c.Property(), Start: start, Air: map[string]*simulate.Air{}, Mains: map[string][]bool{}}
	a := &simulate.Air{}
	for i := range n {
		v := float32(rh(i))
		a.RH, a.SaysRH = append(a.RH, v), append(a.SaysRH, v)
		a.TempC, a.SaysTempC = append(a.TempC, 20), append(a.SaysTempC, 20)
		t.RainMM, t.Alive, t.Heard, t.Leak = append(t.RainMM, 0), append(t.Alive, true), append(t.Heard, true), append(t.Leak, false)
	}
	t.Air["north-bay"], t.Quiet = a, map[string][]bool{"north-bay": make([]bool, n)}
	return t
}

func step(at int, before, after float64) func(int) float64 {
	return func(i int) float64 {
		if i < at {
			return before
		}
		return after
	}
}

// An unbroken excursion is raised exactly six hours after it began, and none
// that lasts a minute less.
func TestJudgeOnHumidity(t *testing.T) {
	t.Parallel()
	find := func(rec *simulate.Truth, s slack) []episode {
		return slices.DeleteFunc(truths(rec, s), func(e episode) bool { return e.condition != site.HumidityHigh })
	}
	if got := find(minutes(1000, step(100, 50, 60.1)), strict); len(got) != 1 || got[0].from != 460 || got[0].to != 1000 {
		t.Errorf("60.1 %%RH from minute 100: %v", got)
	}
	if got := find(minutes(1000, step(100, 50, 59.9)), strict); len(got) != 0 {
		t.Errorf("59.9 %%RH: %v", got)
	}
	if got := find(minutes(1000, step(100, 50, 60.1)), certain); len(got) != 0 {
		t.Errorf("60.1 %%RH is within what a sensor may be off: %v", got)
	}
	if got := find(minutes(1000, step(100, 50, 59.9)), allowed); len(got) != 1 {
		t.Errorf("59.9 %%RH may be called by a sensor within its accuracy: %v", got)
	}
	back := func(i int) float64 {
		if i >= 100 && i < 600 {
			return 65
		}
		return 50
	}
	if got := find(minutes(1500, back), strict); len(got) != 1 || got[0].to != 600+180 {
		t.Errorf("cleared three hours after: %v", got)
	}
	short := func(i int) float64 {
		if i >= 100 && i < 460 {
			return 65
		}
		return 50
	}
	if got := find(minutes(1500, short), strict); len(got) != 0 {
		t.Errorf("5 h 59 min: %v", got)
	}
}

// 10 % of the window may fall back; more may not.
func TestJudgeOnShares(t *testing.T) {
	t.Parallel()
	dips := func(lost int) []bool {
		return marks(400, func(i int) bool { return i >= 20 && (i < 100 || i >= 100+lost) })
	}
	if w := newWindowed(dips(36), nil); !w.sustained(380, 360) {
		t.Error("36 of 360 minutes below is allowed")
	}
	if w := newWindowed(dips(37), nil); w.sustained(380, 360) {
		t.Error("37 of 360 minutes below is too much")
	}
	covered := func(lost int) []bool { return marks(400, func(i int) bool { return i < 100 || i >= 100+lost }) }
	if w := newWindowed(dips(0), covered(72)); !w.sustained(380, 360) {
		t.Error("80 % covered suffices")
	}
	if w := newWindowed(dips(0), covered(73)); w.sustained(380, 360) {
		t.Error("79.7 % covered does not suffice")
	}
}

// The judge's formulas against published values: ASHRAE 2017 ch. 1 table 3,
// 3169.7 Pa at 25 °C; Wood Handbook table 4-2 at 70 °F, 50 %RH: 9.2 %; and the
// time to mold index 1 of Hukka and Viitanen 1999 at 20 °C, 97 %RH (pine).
func TestJudgeFormulas(t *testing.T) {
	t.Parallel()
	if p := judgeSaturation(25); math.Abs(p/3169.7-1) > 0.003 {
		t.Errorf("%.1f Pa", p)
	}
	if td := judgeDewPoint(100, 12); math.Abs(td-12) > 1e-9 {
		t.Errorf("dew point %g", td)
	}
	if m := judgeEMC(50, 21.11); math.Abs(m-9.2) > 0.1 {
		t.Errorf("wood %.2f %%", m)
	}
	weeks := math.Exp(-0.68*math.Log(20) - 13.9*math.Log(97) + 66.02)
	m, _ := moldHour(0, 0, 97, 20)
	if rate := m * 168 * weeks; math.Abs(rate-0.578) > 0.002 {
		t.Errorf("a growing index of %.4f per %.1f weeks, class constant 0.578", rate, weeks)
	}
	if m, _ := moldHour(0.5, 30, 50, 20); math.Abs(m-(0.5-0.1*0.000667)) > 1e-9 {
		t.Errorf("decline to %.6f", m)
	}
}

// What a model says happened is what was injected: some scenarios end to end,
// each with the alarm and the cause it must come to.
func TestFaultsAreCalledWithTheirCause(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"dehumidifier trips off", "hatch open, no dehumidifier", "irrigation", "pump unplugged, backup runs",
		"pump seized", "check valve leaks back", "duct bare", "gateway dead"} {
		i := slices.IndexFunc(faultScenarios, func(s scenario) bool { return s.name == name })
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			tl := newTally()
			o, err := faultScenarios[i].play(uint64(9_000_000+i), false)
			if err != nil {
				t.Fatal(err)
			}
			tl.add(o, 0)
			r := tl.rows[name]
			if r.due == 0 || r.called != r.due || r.causeRight != r.causes {
				t.Errorf("due %d, called %d, cause right %d of %d\n%v\n%v", r.due, r.called, r.causeRight, r.causes, tl.missed, tl.causes)
			}
			if r.falseHigh > 0 {
				t.Errorf("false alarms: %v", tl.falses)
			}
		})
	}
}

// A house that is well raises nothing in its summer.
func TestAWellHouseIsQuiet(t *testing.T) {
	t.Parallel()
	sc := scenario{name: "well", month: 6, days: 45}
	o, err := sc.play(4242, false)
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range o.alarms {
		t.Errorf("raised %s", o.describe(a))
	}
}
