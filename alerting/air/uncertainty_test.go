package air

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// Source: WMO-No. 8 (2018) Annex 4.B, differentiated by hand: with the Magnus
// constants B, C the slope of ln e is BC/(C+t)². 2 %: that is how far the slopes of
// the two forms differ over 0 to 40 °C; JCGM 100:2008 equation 10 combines them.
func TestDewPointUncertaintyAgainstMagnus(t *testing.T) {
	t.Parallel()
	slope := func(c float64) float64 { return wmo.b * wmo.c / ((wmo.c + c) * (wmo.c + c)) }
	for tempC := 5.0; tempC <= 40; tempC += 5 {
		for rhPct := 30.0; rhPct <= 100; rhPct += 10 {
			got, err := DewPointEstimateC(tempC, rhPct, 0.2, 1.5)
			if err != nil {
				t.Fatal(err)
			}
			atDew := slope(got.Value)
			want := math.Hypot(0.2*slope(tempC)/atDew, 1.5/(rhPct*atDew))
			near(t, "uncertainty of the dew point", got.Standard, want, 0.02*want)
		}
	}
}

// The handbook case, worked by hand. 20 °C, 50 %RH: dew point 9.27 °C. One %RH is
// 1/50 of the vapour pressure; the slope of ln e at 9.27 °C is 17.62·243.12/(252.39)²
// = 0.0672 per K, so 0.297 K per %RH. A sensor of ±2 %RH has a standard uncertainty
// of 2/√3 = 1.155 %RH: 0.34 K. ±0.3 K of temperature is 0.173 K, times the ratio of
// slopes 0.0619/0.0672 = 0.920: 0.16 K. Together 0.38 K.
func TestDewPointUncertaintyByHand(t *testing.T) {
	t.Parallel()
	got, err := DewPointEstimateC(20, 50, StandardFromLimit(0.3), StandardFromLimit(2))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "dew point", got.Value, 9.27, 0.02)
	near(t, "standard uncertainty", got.Standard, 0.378, 0.005)
	approach, err := ApproachEstimateK(12, StandardFromLimit(0.5), 20, 50, StandardFromLimit(0.3), StandardFromLimit(2))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "approach", approach.Value, 2.73, 0.02)
	near(t, "its uncertainty", approach.Standard, math.Hypot(0.2887, 0.378), 0.005)
	near(t, "the fast form", FastDewPointUncertaintyK(20, 50, got.Value, StandardFromLimit(0.3), StandardFromLimit(2)), got.Standard, 1e-12)
}

// Whatever the two sensors really were, the dew point lies within its limits; and
// for small limits the linear estimate fills them.
func TestDewPointLimitsHold(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		tempC := rapid.Float64Range(-40, 60).Draw(t, "tempC")
		rhPct := rapid.Float64Range(1, 100).Draw(t, "rhPct")
		limitK := rapid.Float64Range(0, 2).Draw(t, "limitK")
		limitRH := rapid.Float64Range(0, 10).Draw(t, "limitRH")
		low, high, err := DewPointLimitsC(tempC, rhPct, limitK, limitRH)
		if err != nil {
			t.Fatal(err)
		}
		at := rapid.Float64Range(-1, 1)
		trueRH := min(max(rhPct+limitRH*at.Draw(t, "rh"), MinRHPct), 100)
		got := ok(t)(DewPointC(tempC+limitK*at.Draw(t, "k"), trueRH))
		if got < low-1e-6 || got > high+1e-6 {
			t.Fatalf("dew point %g outside %g to %g", got, low, high)
		}
	})
}

// The linear estimate against brute force: the standard deviation of the dew
// points of a grid that fills the two uniform distributions evenly. 1 %: what the
// bend of the curve leaves at ±2 %RH and ±0.3 K.
func TestDewPointUncertaintyAgainstSampling(t *testing.T) {
	t.Parallel()
	const n = 60
	var sum, squares float64
	for i := range n {
		for j := range n {
			x, y := (2*float64(i)+1)/n-1, (2*float64(j)+1)/n-1
			d := must(t)(DewPointC(15+0.3*x, 70+2*y))
			sum += d
			squares += d * d
		}
	}
	mean := sum / (n * n)
	sd := math.Sqrt(squares/(n*n) - mean*mean)
	got, err := DewPointEstimateC(15, 70, StandardFromLimit(0.3), StandardFromLimit(2))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "standard uncertainty", got.Standard, sd, 0.01*sd)
}
