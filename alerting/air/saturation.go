package air

import "math"

// Hyland and Wexler (1983) coefficients of ln(Pa) in kelvin, as printed in the
// ASHRAE Handbook Fundamentals 2017, chapter 1: equation 5 (ice, -100 to 0 °C)
// and equation 6 (water, 0 to 200 °C).
const (
	ice1 = -5.6745359e3
	ice2 = 6.3925247
	ice3 = -9.6778430e-3
	ice4 = 6.2215701e-7
	ice5 = 2.0747825e-9
	ice6 = -9.4840240e-13
	ice7 = 4.1635019

	water1 = -5.8002206e3
	water2 = 1.3914993
	water3 = -4.8640239e-2
	water4 = 4.1764768e-5
	water5 = -1.4452093e-8
	water6 = 6.5459673
)

// lnWater is the natural logarithm of the saturation vapour pressure in Pa
// over liquid water at a temperature in kelvin.
func lnWater(k float64) float64 {
	return water1/k + water2 + k*(water3+k*(water4+k*water5)) + water6*math.Log(k)
}

// slopeWater is d(lnWater)/dK.
func slopeWater(k float64) float64 {
	return (water6-water1/k)/k + water3 + k*(2*water4+k*3*water5)
}

// lnIce is the natural logarithm of the saturation vapour pressure in Pa over
// ice at a temperature in kelvin.
func lnIce(k float64) float64 {
	return ice1/k + ice2 + k*(ice3+k*(ice4+k*(ice5+k*ice6))) + ice7*math.Log(k)
}

// slopeIce is d(lnIce)/dK.
func slopeIce(k float64) float64 {
	return (ice7-ice1/k)/k + ice3 + k*(2*ice4+k*(3*ice5+k*4*ice6))
}

// FastSaturationPa is [SaturationVapourPressurePa] without the check.
func FastSaturationPa(tempC float64) float64 {
	return math.Exp(lnWater(tempC + zeroCelsiusK))
}

// SaturationVapourPressurePa is the saturation vapour pressure in Pa over
// liquid water at tempC (-100 to 100 °C), ASHRAE 2017 chapter 1 equation 6.
// Below 0 °C the water is supercooled and the equation extrapolated: against
// Murphy and Koop (2005) it stays within 1 % to -40 °C.
func SaturationVapourPressurePa(tempC float64) (float64, error) {
	if err := within("temperature", tempC, MinDewPointC, MaxTempC, "°C"); err != nil {
		return 0, err
	}
	return FastSaturationPa(tempC), nil
}

// SaturationVapourPressureOverIcePa is the saturation vapour pressure in Pa
// over ice at tempC (-100 to 0.01 °C), ASHRAE 2017 chapter 1 equation 5.
func SaturationVapourPressureOverIcePa(tempC float64) (float64, error) {
	if err := within("temperature of ice", tempC, MinDewPointC, TriplePointC, "°C"); err != nil {
		return 0, err
	}
	return saturationOverIcePa(tempC), nil
}

func saturationOverIcePa(tempC float64) float64 {
	return math.Exp(lnIce(tempC + zeroCelsiusK))
}

// FastVapourPressurePa is [VapourPressurePa] without the check.
func FastVapourPressurePa(tempC, rhPct float64) float64 {
	return rhPct / 100 * FastSaturationPa(tempC)
}

// VapourPressurePa is the partial pressure in Pa of the water vapour in air at
// tempC (-60 to 100 °C) and rhPct (0 to 100 %RH over water).
func VapourPressurePa(tempC, rhPct float64) (float64, error) {
	if err := CheckAir(tempC, rhPct); err != nil {
		return 0, err
	}
	return FastVapourPressurePa(tempC, rhPct), nil
}

// RHFromVapourPressurePct is the RH in %RH over water of air at tempC that
// holds vapour of the given partial pressure. More vapour than the air can
// hold over water is a *[RangeError].
func RHFromVapourPressurePct(tempC, vapourPa float64) (float64, error) {
	if err := within("air temperature", tempC, MinTempC, MaxTempC, "°C"); err != nil {
		return 0, err
	}
	saturated := FastSaturationPa(tempC)
	// One part in 10^9 above saturation is rounding, not supersaturation.
	if err := within("vapour pressure", vapourPa, 0, saturated*(1+1e-9), "Pa"); err != nil {
		return 0, err
	}
	return math.Min(100*vapourPa/saturated, MaxRHPct), nil
}

// FastSurfaceRHPct is [SurfaceRHPct] without the check.
func FastSurfaceRHPct(airTempC, airRHPct, surfaceTempC float64) float64 {
	k, s := airTempC+zeroCelsiusK, surfaceTempC+zeroCelsiusK
	return math.Min(airRHPct*math.Exp(lnWater(k)-lnWater(s)), MaxRHPct)
}

// SurfaceRHPct is the RH in %RH over water in the air that touches a surface
// at surfaceTempC, when the air of the space has airTempC and airRHPct: the
// vapour pressure is the same, the saturation pressure that of the surface.
// 100 means that the surface is at or below the dew point.
func SurfaceRHPct(airTempC, airRHPct, surfaceTempC float64) (float64, error) {
	if err := CheckAir(airTempC, airRHPct); err != nil {
		return 0, err
	}
	if err := within("surface temperature", surfaceTempC, MinTempC, MaxTempC, "°C"); err != nil {
		return 0, err
	}
	return FastSurfaceRHPct(airTempC, airRHPct, surfaceTempC), nil
}
