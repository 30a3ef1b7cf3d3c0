package outlook

import (
	"math"
	"testing"
	"time"

	"underkeep/alerting/water"
	"underkeep/store/site"
)

// answering is a response that has learned 10 cycles from each storm of 25 mm.
func answering(t *testing.T, now time.Time) *water.Response {
	t.Helper()
	start := now.AddDate(0, -4, 0)
	r := water.NewResponse("flooded", start.UnixMicro())
	for storm := start.AddDate(0, 0, 1); storm.Before(now.AddDate(0, 0, -4)); storm = storm.AddDate(0, 0, 4) {
		for q := range 40 {
			at := storm.Add(time.Duration(q+1) * 15 * time.Minute)
			if q < 12 {
				r.Rain(at.UnixMicro(), 25.0/12)
			}
			if q >= 4 && q < 24 && q%2 == 0 {
				r.Cycle(at.UnixMicro() + 1)
			}
		}
	}
	return &r
}

// The design storm of the file is held against the pump: with a pump that moves 40 cycles
// an hour, the margin is what the busiest hour leaves of them.
func TestDesignStorm(t *testing.T) {
	t.Parallel()
	in := Input{Now: testNow, Property: site.Property{Sump: &site.Sump{DesignStorm: &site.DesignStorm{DepthMm: 25, Duration: 3 * time.Hour}}}, Response: answering(t, testNow)}
	p := Pump{StorageL: 36, CapacityLps: 0.4}
	r := rainOf(in, p)
	d := r.Design
	if d == nil || !d.FromFile || d.DepthMm != 25 || d.Hours != 3 {
		t.Fatalf("%+v", d)
	}
	if math.Abs(d.Cycles-10) > 5 || d.MostPerHour >= d.Cycles {
		t.Errorf("25 mm: %.1f cycles, %.1f in an hour; 10 were learned", d.Cycles, d.MostPerHour)
	}
	near(t, "margin", d.Margin.Value, 1-d.MostPerHour/40, 1e-9)
	near(t, "at double the inflow", d.Margin.Low, 1-d.MostPerHour/20, 1e-9)
	near(t, "learned cycles per mm", r.Learned.CyclesPerMm, 0.4, 0.05)

	in.Property.Sump.DesignStorm = nil
	usual := rainOf(in, Pump{}).Design
	if usual.FromFile || usual.DepthMm != 100 || usual.Hours != 24 || usual.Margin != nil || usual.Cycles <= d.Cycles {
		t.Errorf("by default %+v", usual)
	}
	in.Response = nil
	if d := rainOf(in, p).Design; d != nil {
		t.Errorf("without a response %+v", d)
	}
}

// Rain at 8 and at 16 o'clock is two storms at 6 dry hours and one at 12.
func TestStormGapOfTheProperty(t *testing.T) {
	t.Parallel()
	in := Input{Now: testNow, Property: site.Property{Points: []site.Point{{ID: "gauge", Measures: []site.Quantity{site.Rain}}}},
		Series: map[Series][]Sample{}}
	for h := 20; h >= 1; h-- {
		mm := 0.0
		if h == 14 || h == 6 {
			mm = 5
		}
		in.Series[Series{"gauge", site.Rain}] = append(in.Series[Series{"gauge", site.Rain}], Sample{testNow.Add(-time.Duration(h) * time.Hour), mm})
	}
	for _, c := range []struct {
		gap   time.Duration
		shown float64
		mm    float64
	}{{0, 6, 5}, {12 * time.Hour, 12, 10}} {
		in.Property.StormGap = c.gap
		r := Compute(in).Rain
		if r.Storm == nil || r.Storm.DepthMm != c.mm || r.DryGap != c.shown {
			t.Errorf("gap %s: %+v, shown as %g h", c.gap, r.Storm, r.DryGap)
		}
	}
}
