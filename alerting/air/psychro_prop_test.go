package air

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// state draws air anywhere in the range where everything is defined.
func state(t *rapid.T) (tempC, rhPct float64) {
	return rapid.Float64Range(MinTempC, MaxTempC).Draw(t, "tempC"),
		rapid.Float64Range(MinRHPct, MaxRHPct).Draw(t, "rhPct")
}

// ok is must without a failure report of its own: rapid shrinks on Fatal.
func ok(t *rapid.T) func(float64, error) float64 {
	return func(v float64, err error) float64 {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func TestDewPointInverts(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		tempC, rhPct := state(t)
		dewC := ok(t)(DewPointC(tempC, rhPct))
		// 0.00001 K of dew point is at most 2e-6 of the RH.
		if dewC >= MinDewPointC {
			if back := ok(t)(RHFromDewPointPct(tempC, dewC)); math.Abs(back-rhPct) > 2e-6*rhPct {
				t.Fatalf("%g °C %g %%RH has dew point %g °C, which gives %g %%RH", tempC, rhPct, dewC, back)
			}
		}
		pa := ok(t)(VapourPressurePa(tempC, rhPct))
		if back := ok(t)(RHFromVapourPressurePct(tempC, pa)); math.Abs(back-rhPct) > 1e-9*rhPct {
			t.Fatalf("%g °C %g %%RH gives %g Pa, which gives %g %%RH", tempC, rhPct, pa, back)
		}
	})
}

// The fast solution against the same curve inverted to the last bit, over the whole
// range: 0.00001 K.
func TestDewPointSolvesTheCurve(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		tempC, rhPct := state(t)
		pa := ok(t)(VapourPressurePa(tempC, rhPct))
		want, err := DewPointFromVapourPressureC(pa)
		if err != nil {
			return // below -100 °C
		}
		if got := ok(t)(DewPointC(tempC, rhPct)); math.Abs(got-want) > 1e-5 {
			t.Fatalf("%g °C %g %%RH: dew point %.8f, want %.8f", tempC, rhPct, got, want)
		}
	})
}

func TestDewPointRises(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		tempC, rhPct := state(t)
		dewC := ok(t)(DewPointC(tempC, rhPct))
		if dewC > tempC {
			t.Fatalf("dew point %g above the air at %g", dewC, tempC)
		}
		// Steps ten times the accuracy of the solution must show.
		if warmer := tempC + 0.01; warmer <= MaxTempC && ok(t)(DewPointC(warmer, rhPct)) <= dewC {
			t.Fatalf("the dew point does not rise with temperature at %g °C %g %%RH", tempC, rhPct)
		}
		if damper := rhPct * 1.001; damper <= MaxRHPct && ok(t)(DewPointC(tempC, damper)) <= dewC {
			t.Fatalf("the dew point does not rise with RH at %g °C %g %%RH", tempC, rhPct)
		}
	})
}

// Dew point ≤ wet bulb ≤ air temperature, with equality when saturated, and the
// wet bulb leads back to the RH.
func TestWetBulbLiesBetween(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		tempC := rapid.Float64Range(MinTempC, 75).Draw(t, "tempC") // 81 °C boils at 50 kPa
		rhPct := rapid.Float64Range(MinRHPct, MaxRHPct).Draw(t, "rhPct")
		pressurePa := rapid.Float64Range(MinPressurePa, MaxPressurePa).Draw(t, "pressurePa")
		wetC, dewC := ok(t)(WetBulbC(tempC, rhPct, pressurePa)), ok(t)(DewPointC(tempC, rhPct))
		if wetC < dewC || wetC > tempC {
			t.Fatalf("wet bulb %g outside %g (dew point) to %g (air)", wetC, dewC, tempC)
		}
		if rhPct == 100 && math.Abs(wetC-tempC) > 1e-6 {
			t.Fatalf("saturated air at %g °C has wet bulb %g", tempC, wetC)
		}
		if tempC >= -20 && wetC >= MinTempC { // colder air holds too little for a wick to tell
			if back := ok(t)(RHFromWetBulbPct(tempC, wetC, pressurePa)); math.Abs(back-rhPct) > 0.001 {
				t.Fatalf("%g °C %g %%RH has wet bulb %g, which gives %g %%RH", tempC, rhPct, wetC, back)
			}
		}
	})
}

func TestIceBulbLiesBetween(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		tempC := rapid.Float64Range(-50, 20).Draw(t, "tempC")
		rhPct := rapid.Float64Range(1, MaxRHPct).Draw(t, "rhPct")
		pa := ok(t)(VapourPressurePa(tempC, rhPct))
		bulbC, err := IceBulbC(tempC, pa, StandardPressurePa)
		if err != nil {
			return // no ice there: TestEverythingIsCheckedOrFinite holds that it is an error
		}
		frostC := ok(t)(FrostPointFromVapourPressureC(pa))
		if bulbC < frostC-1e-6 || bulbC > math.Min(tempC, TriplePointC)+1e-9 {
			t.Fatalf("ice bulb %g outside %g (frost point) to %g (air)", bulbC, frostC, tempC)
		}
	})
}

// Below freezing ice forms before dew would.
func TestFrostPointLiesAboveDewPoint(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		dewC := rapid.Float64Range(-80, 0).Draw(t, "dewC")
		pa := ok(t)(SaturationVapourPressurePa(dewC))
		frostC := ok(t)(FrostPointFromVapourPressureC(pa))
		if frostC < dewC-1e-6 {
			t.Fatalf("frost point %g under dew point %g", frostC, dewC)
		}
		if back := ok(t)(SaturationVapourPressureOverIcePa(frostC)); math.Abs(back-pa) > 1e-9*pa {
			t.Fatalf("frost point %g gives %g Pa, want %g", frostC, back, pa)
		}
	})
}

// A cold surface is damper than the air before it, a warm one drier; at the dew
// point it is wet.
func TestSurfaceRH(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		tempC, rhPct := state(t)
		surfaceC := rapid.Float64Range(MinTempC, MaxTempC).Draw(t, "surfaceC")
		got := ok(t)(SurfaceRHPct(tempC, rhPct, surfaceC))
		dewC := ok(t)(DewPointC(tempC, rhPct))
		switch {
		case got < 0 || got > 100:
			t.Fatalf("surface RH %g", got)
		case surfaceC < dewC-0.001 && got != 100:
			t.Fatalf("surface at %g under dew point %g has %g %%RH", surfaceC, dewC, got)
		case surfaceC > dewC+0.001 && got == 100:
			t.Fatalf("surface at %g over dew point %g is wet", surfaceC, dewC)
		case (surfaceC > tempC) != (got < rhPct) && got != rhPct && got != 100:
			t.Fatalf("air %g °C %g %%RH, surface %g °C: %g %%RH", tempC, rhPct, surfaceC, got)
		}
	})
}

// anything draws any number there is: usual ones, extremes, NaN and infinities.
func anything(t *rapid.T, name string) float64 {
	special := []float64{math.NaN(), math.Inf(1), math.Inf(-1), 0, math.Copysign(0, -1),
		math.MaxFloat64, -math.MaxFloat64, math.SmallestNonzeroFloat64, 100, -60, 20, TriplePointC}
	return rapid.OneOf(rapid.SampledFrom(special), rapid.Float64(), rapid.Float64Range(-150, 150),
		rapid.Float64Range(0, 120000)).Draw(t, name)
}

// checked is every function that promises an error or a finite number.
var checked = map[string]func(a, b, c, d float64) (float64, error){
	"saturation":          func(a, _, _, _ float64) (float64, error) { return SaturationVapourPressurePa(a) },
	"saturation over ice": func(a, _, _, _ float64) (float64, error) { return SaturationVapourPressureOverIcePa(a) },
	"vapour pressure":     func(a, b, _, _ float64) (float64, error) { return VapourPressurePa(a, b) },
	"RH from pressure":    func(a, b, _, _ float64) (float64, error) { return RHFromVapourPressurePct(a, b) },
	"surface RH":          func(a, b, c, _ float64) (float64, error) { return SurfaceRHPct(a, b, c) },
	"dew point":           func(a, b, _, _ float64) (float64, error) { return DewPointC(a, b) },
	"dew from pressure":   func(a, _, _, _ float64) (float64, error) { return DewPointFromVapourPressureC(a) },
	"frost point":         func(a, b, _, _ float64) (float64, error) { return FrostPointC(a, b) },
	"frost from pressure": func(a, _, _, _ float64) (float64, error) { return FrostPointFromVapourPressureC(a) },
	"RH from dew point":   func(a, b, _, _ float64) (float64, error) { return RHFromDewPointPct(a, b) },
	"altitude":            func(a, _, _, _ float64) (float64, error) { return PressureAtAltitudePa(a) },
	"humidity ratio":      func(a, b, c, _ float64) (float64, error) { return HumidityRatio(a, b, c) },
	"ratio from pressure": func(a, b, _, _ float64) (float64, error) { return HumidityRatioFromVapourPressure(a, b) },
	"absolute humidity":   func(a, b, _, _ float64) (float64, error) { return AbsoluteHumidityGPerM3(a, b) },
	"enthalpy":            func(a, b, c, _ float64) (float64, error) { return EnthalpyJPerKg(a, b, c) },
	"enthalpy from ratio": func(a, b, _, _ float64) (float64, error) { return EnthalpyFromRatioJPerKg(a, b) },
	"wet bulb":            func(a, b, c, _ float64) (float64, error) { return WetBulbC(a, b, c) },
	"RH from wet bulb":    func(a, b, c, _ float64) (float64, error) { return RHFromWetBulbPct(a, b, c) },
	"ice bulb":            func(a, b, c, _ float64) (float64, error) { return IceBulbC(a, b, c) },
	"EMC":                 func(a, b, _, _ float64) (float64, error) { return EMCPct(a, b) },
	"RH from EMC":         func(a, b, _, _ float64) (float64, error) { return RHFromEMCPct(a, b) },
	"dew point estimate": func(a, b, c, d float64) (float64, error) {
		e, err := DewPointEstimateC(a, b, c, d)
		return e.Value + e.Standard, err
	},
	"approach": func(a, b, c, d float64) (float64, error) {
		e, err := ApproachEstimateK(a, b, c, d, b, a)
		return e.Value + e.Standard, err
	},
	"dew point limits": func(a, b, c, d float64) (float64, error) {
		low, high, err := DewPointLimitsC(a, b, c, d)
		return low + high, err
	},
	"salt": func(a, _, _, _ float64) (float64, error) {
		e, err := ExpectedRH(SodiumChloride, a)
		return e.RHPct + e.UncertaintyPct, err
	},
	"sensor check": func(a, b, c, _ float64) (float64, error) {
		e, err := CheckSensor(SodiumChloride, a, b, c)
		return e.DeviationPct + e.TolerancePct, err
	},
	"wood start": func(a, _, _, _ float64) (float64, error) {
		w := WoodLag{TimeConstant: DefaultWoodTimeConstant}
		err := w.StartAt(a)
		return w.MoisturePct, err
	},
	"mold step": func(a, b, c, d float64) (float64, error) {
		s, err := defaultMold.CheckedStep(MoldState{Index: a, DryHours: b}, c, d)
		return s.Index + s.DryHours, err
	},
}

// Out-of-range input is an error and never NaN, over every float64.
func TestEverythingIsCheckedOrFinite(t *testing.T) {
	t.Parallel()
	for name, f := range checked {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			rapid.Check(t, func(t *rapid.T) {
				a, b, c, d := anything(t, "a"), anything(t, "b"), anything(t, "c"), anything(t, "d")
				v, err := f(a, b, c, d)
				if err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
					t.Fatalf("(%g, %g, %g, %g) = %g without an error", a, b, c, d, v)
				}
			})
			if _, err := f(math.NaN(), math.NaN(), math.NaN(), math.NaN()); err == nil {
				t.Error("NaN is accepted")
			}
		})
	}
}

// What a reading of the wire contract can be is never refused: RH 0 to 100 %, air
// -40 to 60 °C, surfaces -40 to 85 °C.
func TestPossibleReadingsAreCovered(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		tempC := rapid.Float64Range(-40, 85).Draw(t, "tempC")
		rhPct := rapid.Float64Range(0, 100).Draw(t, "rhPct")
		surfaceC := rapid.Float64Range(-40, 85).Draw(t, "surfaceC")
		if err := CheckAir(tempC, rhPct); err != nil {
			t.Fatal(err)
		}
		for name, v := range map[string]float64{
			"dew point": FastDewPointC(tempC, rhPct), "vapour pressure": FastVapourPressurePa(tempC, rhPct),
			"surface RH": FastSurfaceRHPct(tempC, rhPct, surfaceC), "EMC": FastEMCPct(tempC, rhPct),
			"absolute humidity": FastAbsoluteHumidityGPerM3(tempC, rhPct),
			"uncertainty":       FastDewPointUncertaintyK(tempC, rhPct, FastDewPointC(tempC, rhPct), 0.2, 1.2),
			"mold":              defaultMold.Step(MoldState{Index: 1}, surfaceC, rhPct).Index,
		} {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Fatalf("%s at %g °C %g %%RH, surface %g °C: %g", name, tempC, rhPct, surfaceC, v)
			}
		}
	})
}

func TestRangeErrorSaysWhatIsAccepted(t *testing.T) {
	t.Parallel()
	_, err := DewPointC(20, 0)
	var out *RangeError
	if !errors.As(err, &out) || out.Value != 0 || out.Min != MinRHPct {
		t.Fatalf("%v", err)
	}
	if want := "relative humidity 0 %RH is outside 0.05 to 100 %RH"; err.Error() != want {
		t.Errorf("%q, want %q", err, want)
	}
	if got := FastDewPointC(20, 0); got != FastDewPointC(20, MinRHPct) {
		t.Errorf("the unchecked dew point of dry air is %g", got)
	}
}
