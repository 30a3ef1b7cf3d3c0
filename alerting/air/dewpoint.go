package air

import "math"

// Magnus constants of WMO-No. 8 (2018) Annex 4.B. They only start the search
// on the Hyland-Wexler curves; no result depends on them.
const (
	magnusWaterB, magnusWaterC = 17.62, 243.12
	magnusIceB, magnusIceC     = 22.46, 272.62
	lnMagnusA                  = 6.415424237852311 // ln 611.2 Pa
)

// FastDewPointC is [DewPointC] without the check: the caller guarantees -60 to
// 100 °C and 0 to 100 %RH. Air drier than [MinRHPct] is taken to have that RH,
// which errs on the damp side and keeps 0 %RH finite.
func FastDewPointC(tempC, rhPct float64) float64 {
	if rhPct < MinRHPct {
		rhPct = MinRHPct
	}
	lnRH := math.Log(rhPct * 0.01)
	y := lnRH + magnusWaterB*tempC/(magnusWaterC+tempC)
	dew := magnusWaterC * y / (magnusWaterB - y)
	// The Magnus start is within 1.4 K anywhere and 0.1 K in a house; one Halley
	// step on ln e(dew) - ln e(temp) = ln(RH/100) leaves 0.000005 K.
	dew -= dewStep(dew+zeroCelsiusK, tempC+zeroCelsiusK, lnRH)
	if dew > tempC {
		return tempC // the last bit of rounding at 100 %RH
	}
	return dew
}

// dewStep is one Halley step in K for the dew point d of air at k (kelvin)
// whose RH has the logarithm lnRH. Taking both temperatures at once leaves only
// the logarithm of their ratio, which is near 1: the series in z = (d-k)/(d+k)
// up to z⁹ is enough for it.
func dewStep(d, k, lnRH float64) float64 {
	sum, diff := d+k, d-k
	inv := 1 / (d * k * sum) // one division for three
	z := diff * inv * d * k
	invD := inv * k * sum
	z2 := z * z
	lnRatio := 2 * z * (1 + z2*(1./3+z2*(1./5+z2*(1./7+z2*(1./9)))))
	f := diff*(water3-water1*inv*sum+sum*water4+(d*d+d*k+k*k)*water5) + water6*lnRatio - lnRH
	slope := (water6-water1*invD)*invD + water3 + d*(2*water4+d*3*water5)
	bend := (2*water1*invD-water6)*invD*invD + 2*water4 + 6*d*water5
	return 2 * f * slope / (2*slope*slope - f*bend)
}

// DewPointC is the temperature in °C at which air at tempC (-60 to 100 °C) and
// rhPct (0.05 to 100 %RH over water) is saturated over liquid water, also where
// that lies below 0 °C. It solves ASHRAE 2017 chapter 1 equation 6 to
// 0.00001 °C.
func DewPointC(tempC, rhPct float64) (float64, error) {
	if err := checkHumidAir(tempC, rhPct); err != nil {
		return 0, err
	}
	return FastDewPointC(tempC, rhPct), nil
}

// checkHumidAir is CheckAir for what needs some vapour in the air.
func checkHumidAir(tempC, rhPct float64) error {
	if err := within("air temperature", tempC, MinTempC, MaxTempC, "°C"); err != nil {
		return err
	}
	return within("relative humidity", rhPct, MinRHPct, MaxRHPct, "%RH")
}

// DewPointFromVapourPressureC is the temperature in °C at which vapour of the
// given partial pressure in Pa saturates over liquid water.
func DewPointFromVapourPressureC(vapourPa float64) (float64, error) {
	lo, hi := FastSaturationPa(MinDewPointC), FastSaturationPa(MaxTempC)
	if err := within("vapour pressure", vapourPa, lo, hi, "Pa"); err != nil {
		return 0, err
	}
	y := math.Log(vapourPa) - lnMagnusA
	start := magnusWaterC * y / (magnusWaterB - y)
	return invert(lnWater, slopeWater, start, math.Log(vapourPa)), nil
}

// FrostPointC is the temperature in °C at which vapour from air at tempC and
// rhPct (over water) first deposits as ice. It lies above the dew point, by
// about 1 °C at -10 °C. Air with more vapour than ice can face (its dew point is
// above 0.01 °C) has no frost point: that is a *[RangeError].
func FrostPointC(tempC, rhPct float64) (float64, error) {
	vapourPa, err := VapourPressurePa(tempC, rhPct)
	if err != nil {
		return 0, err
	}
	return FrostPointFromVapourPressureC(vapourPa)
}

// FrostPointFromVapourPressureC is the temperature in °C at which vapour of
// the given partial pressure in Pa is saturated over ice (-100 to 0.01 °C).
func FrostPointFromVapourPressureC(vapourPa float64) (float64, error) {
	lo, hi := saturationOverIcePa(MinDewPointC), saturationOverIcePa(TriplePointC)
	if err := within("vapour pressure over ice", vapourPa, lo, hi, "Pa"); err != nil {
		return 0, err
	}
	y := math.Log(vapourPa) - lnMagnusA
	start := magnusIceC * y / (magnusIceB - y)
	return invert(lnIce, slopeIce, start, math.Log(vapourPa)), nil
}

// invert finds where a saturation curve reaches lnPa, by Newton's method from a
// start in °C. The curves are concave and steadily rising in this range, so it
// cannot wander; the bound of rounds only guards against the last bit.
func invert(curve, slope func(float64) float64, startC, lnPa float64) float64 {
	k := startC + zeroCelsiusK
	for range 20 {
		step := (curve(k) - lnPa) / slope(k)
		k -= step
		if math.Abs(step) < 1e-9 {
			break
		}
	}
	return k - zeroCelsiusK
}

// RHFromDewPointPct is the RH in %RH over water of air at tempC (-60 to 100 °C)
// whose dew point over water is dewC (-100 °C to tempC).
func RHFromDewPointPct(tempC, dewC float64) (float64, error) {
	if err := within("air temperature", tempC, MinTempC, MaxTempC, "°C"); err != nil {
		return 0, err
	}
	if err := within("dew point", dewC, MinDewPointC, tempC, "°C"); err != nil {
		return 0, err
	}
	return 100 * math.Exp(lnWater(dewC+zeroCelsiusK)-lnWater(tempC+zeroCelsiusK)), nil
}
