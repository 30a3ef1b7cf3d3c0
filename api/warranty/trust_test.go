package warranty

import (
	"math"
	"testing"
	"time"

	"underkeep/alerting/air"
	"underkeep/store/site"
)

// TestConformanceAfterJCGM106 holds the decision rule against the guide (JCGM
// 106:2012, from memory): the quantiles of its table of conformance
// probabilities, and its example of a Zener diode measured at -5.47 V with u =
// 0.05 V against an upper limit of -5.40 V, Φ(1.40) = 0.92.
func TestConformanceAfterJCGM106(t *testing.T) {
	t.Parallel()
	for p, z := range map[float64]float64{0.80: 0.84, 0.90: 1.28, 0.95: 1.64, 0.99: 2.33, 0.999: 3.09} {
		if got := K(p); math.Abs(got-z) > 0.006 {
			t.Errorf("k for %g is %.4f, the table has %.2f", p, got, z)
		}
	}
	if got := Conformance(-5.47, 0.05, -5.40); math.Abs(got-0.92) > 0.005 {
		t.Errorf("Zener diode: %.4f", got)
	}
	// At the edge of the guard band the probability is what was asked for.
	for _, p := range []float64{0.8, 0.95, 0.99} {
		if got := Conformance(60-K(p)*1.3, 1.3, 60); math.Abs(got-p) > 1e-9 {
			t.Errorf("at the edge: %.6f, want %g", got, p)
		}
	}
	if Conformance(60, 0, 60) != 1 || Conformance(60.1, 0, 60) != 0 {
		t.Error("without uncertainty a limit is a limit")
	}
}

// saltCheck holds a sensor over sodium chloride at 25 °C. Greenspan 1977: 75.29
// ± 0.12 %RH.
func saltCheck(t *testing.T, at time.Time, read float64) Check {
	t.Helper()
	e, err := air.ExpectedRH(air.SodiumChloride, 25)
	if err != nil || math.Abs(e.RHPct-75.29) > 0.01 || math.Abs(e.UncertaintyPct-0.12) > 0.001 {
		t.Fatalf("NaCl at 25 °C: %+v, %v", e, err)
	}
	return Check{ID: "c1", At: at, Point: "north-bay", Serial: "A17", Salt: "NaCl", TempC: 25, ReadPct: read, ExpectedPct: e.RHPct,
		OffsetPct: read - e.RHPct, OffsetStandardPct: 0.3}
}

// TestCheckCorrectsFromThatDayOn: a sensor that reads 2 %RH too much at 61.5 is
// at 59.5. Before the check u = 2/√3 and the guard band 1.899 leaves 61.5
// undecided; after it u = √(0.3² + (1/√3)²) = 0.6506, guard band 1.0702, and
// 59.5 is still undecided while 58.9 is below.
func TestCheckCorrectsFromThatDayOn(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		read  float64
		worst float64 // hours in ten days, the check on the morning of the sixth
	}{{61.5, 240}, {60.9, 120}} {
		r := newRecord(house(2), day(2026, 2, 1), day(2026, 2, 11)).air(constant(c.read))
		e, _ := air.ExpectedRH(air.SodiumChloride, 25)
		r.Checks = []Check{saltCheck(t, r.at(2026, 2, 6, 10, 0), e.RHPct+2)}
		v := judged(t, r.Input)
		if got := result(t, v, TermAbovePerYear, "north-bay"); got.Best != 0 || math.Abs(got.Worst-c.worst) > 1e-9 {
			t.Errorf("%g %%RH: %+v", c.read, got)
		}
		tr := v.Points[0].Trust
		if len(tr) < 2 || tr[0].OffsetPct != 0 || tr[1].From != "2026-02-06" || tr[1].OffsetPct != 2 || math.Abs(tr[1].StandardPct-0.6506) > 1e-4 {
			t.Errorf("trust %+v", tr)
		}
	}
}

// TestOverdueCheckWidens: 400 days after the installation a check is due; one
// year later the drift of 1 %RH a year adds 1/√3: √(4/3 + 1/3) = 1.29099.
func TestOverdueCheckWidens(t *testing.T) {
	t.Parallel()
	pt := house(2).Points[0]
	terms := &SensorCheckTerms{Interval: 400 * 24 * time.Hour, DriftPctPerYear: 1}
	since := day(2026, 1, 1).In(newYork)
	on := func(days int, checks ...Check) Trust {
		d := since.Add(time.Duration(days) * 24 * time.Hour)
		return trustOn(d, d.Add(24*time.Hour), &pt, since, checks, terms)
	}
	for days, want := range map[int]float64{0: 2 / math.Sqrt(3), 400: 2 / math.Sqrt(3), 765: math.Sqrt(5.0 / 3)} {
		if got := on(days).StandardPct; math.Abs(got-want) > 1e-9 {
			t.Errorf("after %d days u = %.6f, want %.6f", days, got, want)
		}
	}
	check := saltCheck(t, since.Add(700*24*time.Hour), 75)
	if got := on(765, check).StandardPct; math.Abs(got-math.Sqrt(0.09+1.0/3)) > 1e-9 {
		t.Errorf("a check in between: u = %.6f", got)
	}
	other := check
	other.Serial = "Z9"
	if got := on(765, other); got.OffsetPct != 0 {
		t.Errorf("the check of another sensor counts: %+v", got)
	}
}

// TestStatedAccuracyOrNone: without one a sensor is taken at ±5 %RH.
func TestStatedAccuracyOrNone(t *testing.T) {
	t.Parallel()
	pt := house(0).Points[0]
	if accuracy(&pt, site.RH) != 5 || accuracy(nil, site.AirTemp) != 1 || accuracy(&pt, site.WoodMoisture) != 2 {
		t.Error("what is not stated must not be taken as exact")
	}
}

// TestCheckRecordedTooLateMendsNothing: a check counts from its own time when it
// was recorded before the seal delay of its day was over (72 h after the end of
// February 10), and else from the time of recording.
func TestCheckRecordedTooLateMendsNothing(t *testing.T) {
	t.Parallel()
	r := newRecord(house(1), day(2026, 2, 1), day(2026, 3, 1)).air(constant(50))
	made, over := r.at(2026, 2, 10, 9, 0), r.at(2026, 2, 14, 0, 0)
	for _, c := range []struct {
		recorded time.Time
		from     string
	}{{time.Time{}, "2026-02-10"}, {made, "2026-02-10"}, {over.Add(-time.Second), "2026-02-10"}, {over, "2026-02-14"}, {r.at(2026, 2, 20, 9, 0), "2026-02-20"}} {
		r.Checks = []Check{{ID: "c1", At: made, RecordedAt: c.recorded, Point: "north-bay", Serial: "A17", OffsetPct: 3, OffsetStandardPct: 0.3}}
		v := judged(t, r.Input)
		trust := v.Points[0].Trust
		if len(trust) < 2 || trust[0].OffsetPct != 0 || trust[1].OffsetPct != 3 || trust[1].From != c.from {
			t.Errorf("recorded %s: %+v, want from %s on", c.recorded, trust, c.from)
		}
		if late := !v.Checks[0].CountsFrom.IsZero(); late != (c.from != "2026-02-10") {
			t.Errorf("recorded %s: %+v", c.recorded, v.Checks[0])
		}
	}
}
