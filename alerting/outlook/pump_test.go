package outlook

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"underkeep/store/site"
)

// testSump: straight basin of 0.45 m, floats at 0.15 and 0.30 m, high water at
// 0.40 m. By hand π/4·0.45² = 0.15904 m²: 23.856 L between the floats, 15.904 L
// from float-on to high water.
func testSump() *site.Sump {
	return &site.Sump{BasinDiameterM: 0.45, FloatOffM: 0.15, FloatOnM: 0.30, HighWaterM: 0.40}
}

const testStorageL = 23.856

// cycles makes runs of the given length in s, each after a rest of the given
// length, so that the last one ended ago before now.
func cycles(n int, runS, restS float64, ago time.Duration) []Sample {
	out := make([]Sample, n)
	at := testNow.Add(-ago)
	for i := n - 1; i >= 0; i-- {
		at = at.Add(-time.Duration(runS * float64(time.Second)))
		out[i] = Sample{at, runS}
		at = at.Add(-time.Duration(restS * float64(time.Second)))
	}
	return out
}

func pumpInput(runs []Sample) Input {
	p := site.Property{Sump: testSump(), Points: []site.Point{
		{ID: "sump", Measures: []site.Quantity{site.PumpRun, site.PumpOn}}, {ID: "gauge", Measures: []site.Quantity{site.Rain}}}}
	return Input{Property: p, Now: testNow, Series: map[Series][]Sample{{"sump", site.PumpRun}: runs}}
}

// Rests of 480 s let in 23.856/480 = 0.0497 L/s; runs of 20 s then pump
// 23.856/20 + 0.0497 = 1.2425 L/s; margin 1 - 20/500 = 0.96; and 15.904 L hold
// 15.904/0.0497 s = 320 s = 0.0889 h. All by hand.
func TestPumpByHand(t *testing.T) {
	t.Parallel()
	p := pumpOf(pumpInput(cycles(12, 20, 480, time.Minute)))
	if !p.Known || p.CapacityFrom != "measured" || p.Now == nil || p.Peak == nil || p.RainKnown || p.Storm != nil {
		t.Fatalf("%+v", p)
	}
	near(t, "storage", p.StorageL, testStorageL, 0.001)
	near(t, "reserve", p.ReserveL, 15.904, 0.001)
	near(t, "inflow", p.Now.Lps.Value, 0.0497, 1e-4)
	near(t, "flow", p.CapacityLps, 1.2425, 1e-4)
	near(t, "margin", p.MarginNow.Value, 0.96, 1e-6)
	near(t, "margin, low", p.MarginNow.Low, 1-0.04*1.12, 1e-6)
	near(t, "hours", p.HoldsNowHours.Value, 320.0/3600, 1e-4)
	near(t, "peak", p.Peak.Lps.Value, p.Now.Lps.Value, 1e-9)
}

// A storm of rests of 40 s, 15 min of rain an hour ago, then rests of 600 s: now and
// peak differ, and a long rest that still goes on bounds the present inflow.
func TestPumpInAStorm(t *testing.T) {
	t.Parallel()
	storm := cycles(20, 30, 40, 3*time.Hour)
	late := cycles(6, 20, 600, time.Minute)
	in := pumpInput(append(storm, late...))
	rain := Series{"gauge", site.Rain}
	for h := 12; h >= 0; h-- {
		mm := 0.0
		if h >= 3 && h <= 5 {
			mm = 12
		}
		in.Series[rain] = append(in.Series[rain], Sample{testNow.Add(-time.Duration(h) * time.Hour), mm})
	}
	p := pumpOf(in)
	if p.Storm == nil || p.Storm.DepthMm != 36 || !p.RainKnown {
		t.Fatalf("%+v", p)
	}
	near(t, "now", p.Now.Lps.Value, testStorageL/600, 1e-3)
	near(t, "peak", p.Peak.Lps.Value, testStorageL/40, 1e-3)
	if p.MarginPeak.Value >= p.MarginNow.Value || p.HoldsPeakHours.Value >= p.HoldsNowHours.Value {
		t.Errorf("%+v", p)
	}
	in.Now = testNow.Add(2 * time.Hour)
	quiet := pumpOf(in)
	near(t, "two hours of rest", quiet.Now.Lps.Value, testStorageL/7260, 1e-4)
	in.Now = testNow.Add(7 * time.Hour)
	if later := pumpOf(in); later.Now != nil || later.MarginNow != nil || later.Peak == nil {
		t.Errorf("seven hours of rest: %+v", later)
	}
}

// A pump that has been on for 300 s without bringing the level down: at least
// Q - V/t comes in, so at most V/(Q t) = 20/(1.2425·300)·... of it is left.
func TestPumpThatDoesNotStop(t *testing.T) {
	t.Parallel()
	in := pumpInput(cycles(12, 20, 480, 5*time.Minute))
	in.Series[Series{"sump", site.PumpOn}] = []Sample{
		{testNow.Add(-10 * time.Minute), 0}, {testNow.Add(-5 * time.Minute), 1}, {testNow.Add(-time.Minute), 1}}
	p := pumpOf(in)
	near(t, "inflow", p.Now.Lps.Value, p.CapacityLps-testStorageL/300, 1e-3)
	near(t, "margin", p.MarginNow.Value, testStorageL/300/p.CapacityLps, 1e-3)
	if !math.IsInf(p.MarginNow.Low, -1) || p.HoldsNowHours.Low != 0 {
		t.Errorf("nothing bounds the inflow above: %+v", p.MarginNow)
	}
}

func TestPumpUnknown(t *testing.T) {
	t.Parallel()
	in := pumpInput(nil)
	if p := pumpOf(in); p.Known || p.Reason == "" {
		t.Errorf("no runs, no curve: %+v", p)
	}
	in.Property.Sump = &site.Sump{}
	if p := pumpOf(in); p.Known || p.Reason == "" {
		t.Errorf("no basin: %+v", p)
	}
}

// Margin measured by the same storage on both sides is the share of time at
// rest, whatever the basin holds; more inflow never leaves more.
func TestMarginIsTheShareOfRest(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		runS, restS := float64(rapid.IntRange(5, 300).Draw(t, "run")), float64(rapid.IntRange(5, 3000).Draw(t, "rest"))
		in := pumpInput(cycles(10, runS, restS, time.Second))
		in.Property.Sump.BasinDiameterM = rapid.Float64Range(0.3, 1).Draw(t, "diameter")
		p := pumpOf(in)
		if got, want := p.MarginNow.Value, restS/(runS+restS); math.Abs(got-want) > 1e-6 {
			t.Fatalf("%g, want %g", got, want)
		}
		wetter := pumpOf(pumpInput(cycles(10, runS, restS/2, time.Second)))
		if wetter.MarginNow.Value > p.MarginNow.Value || wetter.HoldsNowHours.Value > pumpOf(pumpInput(cycles(10, runS, restS, time.Second))).HoldsNowHours.Value {
			t.Fatalf("%+v", wetter)
		}
	})
}
