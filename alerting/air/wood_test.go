package air

import (
	"encoding/json"
	"fmt"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// Source: USDA Wood Handbook, FPL-GTR-190 (2010), Table 4-2 and equation 4-5, and
// the Fahrenheit constants of the same equation; 144 cells.
//
// Tolerances: 1e-4 % against the equation with the same constants (four printed
// decimals, and temperatures rounded to 0.0001 °C); 0.1 % against the table (0.05 for
// its rounding and what the fit leaves); 0.07 % against the Fahrenheit constants, a
// separate fit whose largest difference in this table is known to be 0.066.
func TestWoodHandbookCells(t *testing.T) {
	t.Parallel()
	for _, r := range published(t, "emc.csv", 144) {
		tempC, rhPct := r.num(t, "T_c"), r.num(t, "rh_pct")
		got := must(t)(EMCPct(tempC, rhPct))
		name := fmt.Sprintf("EMC at %g °C %g %%RH", tempC, rhPct)
		near(t, name+", equation", got, r.num(t, "emc_pct_eq_celsius_constants"), 1e-4)
		near(t, name+", table", got, r.num(t, "emc_pct_table_4_2"), 0.1)
		near(t, name+", °F constants", got, r.num(t, "emc_pct_eq_fahrenheit_constants"), 0.07)
		near(t, name+", inverse", must(t)(RHFromEMCPct(tempC, got)), rhPct, 1e-6)
	}
}

// Source: the Fahrenheit fit reproduces a published check, 140 °F and 55 %RH gives
// 8.4 %. Half of the printed digit.
func TestEMCPublishedCheck(t *testing.T) {
	t.Parallel()
	near(t, "EMC at 60 °C 55 %RH", must(t)(EMCPct(60, 55)), 8.4, 0.05)
}

// Humid air alone brings wood to 29 % at most (at 20 °C, 100 %RH: 28.8 %, as given
// beside the table): more is liquid water, and the inverse says so.
func TestEMCEndsAtFiberSaturation(t *testing.T) {
	t.Parallel()
	near(t, "EMC at 20 °C 100 %RH", must(t)(EMCPct(20, 100)), 28.8, 0.1)
	if _, err := RHFromEMCPct(20, 31); err == nil {
		t.Error("31 % moisture has an RH")
	}
	if dry := must(t)(EMCPct(20, 0)); dry != 0 {
		t.Errorf("EMC in dry air is %g", dry)
	}
	for rhPct := 0.0; rhPct <= 95; rhPct += 5 {
		near(t, "EMC at 0 less 10 °C", FastEMCPct(0, rhPct)-FastEMCPct(10, rhPct), 0, 0.2)
	}
	if cold := FastEMCPct(-20, 80); cold != FastEMCPct(EMCMinTempC, 80) {
		t.Errorf("the unchecked EMC at -20 °C is %g", cold)
	}
}

func TestEMCProperties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		tempC := rapid.Float64Range(EMCMinTempC, EMCMaxTempC).Draw(t, "tempC")
		rhPct := rapid.Float64Range(0, 99.99).Draw(t, "rhPct")
		got := ok(t)(EMCPct(tempC, rhPct))
		if got < 0 || got > 30 {
			t.Fatalf("EMC %g", got)
		}
		if damper := ok(t)(EMCPct(tempC, rhPct+0.01)); damper <= got {
			t.Fatalf("EMC does not rise with RH at %g °C %g %%RH", tempC, rhPct)
		}
		if back := ok(t)(RHFromEMCPct(tempC, got)); math.Abs(back-rhPct) > 1e-6 {
			t.Fatalf("%g %%RH gives %g %%, which gives %g %%RH", rhPct, got, back)
		}
	})
}

// Source: the definition of a first-order lag: 63.2 % of a step after one time
// constant, 95.0 % after three.
func TestWoodLagStepResponse(t *testing.T) {
	t.Parallel()
	w, err := NewWoodLag(DefaultWoodTimeConstant)
	if err != nil {
		t.Fatal(err)
	}
	if got := w.Step(10, 0); got != 10 || !w.Started {
		t.Fatalf("the first step starts at %g", got)
	}
	near(t, "after one time constant", w.After(20, 10*24*time.Hour), 10+10*0.632121, 1e-5)
	near(t, "after three", w.After(20, 30*24*time.Hour), 10+10*0.950213, 1e-5)
	if w.MoisturePct != 10 {
		t.Error("After moved the wood")
	}
	if got := w.Step(math.NaN(), time.Hour); got != 10 {
		t.Errorf("NaN moved the wood to %g", got)
	}
	if got := (&WoodLag{MoisturePct: 10, Started: true}).After(20, time.Second); got != 20 {
		t.Errorf("wood without inertia is at %g after a second", got)
	}
	if got := w.Step(20, -time.Hour); got != 10 {
		t.Errorf("time backwards moved the wood to %g", got)
	}
}

// However a held input is cut into steps the wood ends in the same place, between
// its start and the input; and storing it on the way changes nothing.
func TestWoodLagProperties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		tau := time.Duration(rapid.Int64Range(int64(time.Minute), int64(maxWoodTimeConstant)).Draw(t, "tau"))
		start := rapid.Float64Range(0, 60).Draw(t, "start")
		emc := rapid.Float64Range(0, 29).Draw(t, "emc")
		w, err := NewWoodLag(tau)
		if err != nil {
			t.Fatal(err)
		}
		if err := w.StartAt(start); err != nil {
			t.Fatal(err)
		}
		whole := w
		var total time.Duration
		for range rapid.IntRange(1, 20).Draw(t, "steps") {
			held := time.Duration(rapid.Int64Range(0, int64(30*24*time.Hour)).Draw(t, "held"))
			w.Step(emc, held)
			total += held
			stored, err := json.Marshal(w)
			if err != nil {
				t.Fatal(err)
			}
			w = WoodLag{}
			if err := json.Unmarshal(stored, &w); err != nil {
				t.Fatal(err)
			}
		}
		want := whole.Step(emc, total)
		if math.Abs(w.MoisturePct-want) > 1e-9 {
			t.Fatalf("in steps %g, at once %g", w.MoisturePct, want)
		}
		if want < min(start, emc)-1e-9 || want > max(start, emc)+1e-9 {
			t.Fatalf("%g lies outside %g to %g", want, start, emc)
		}
	})
}

func TestWoodLagRefusesNonsense(t *testing.T) {
	t.Parallel()
	for _, tau := range []time.Duration{0, -time.Hour, time.Second, 11 * 365 * 24 * time.Hour} {
		if _, err := NewWoodLag(tau); err == nil {
			t.Errorf("a time constant of %v is accepted", tau)
		}
	}
}
