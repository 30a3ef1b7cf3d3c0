package air

import (
	"fmt"
	"math"
)

// WetBulbC is the thermodynamic wet-bulb temperature in °C of air at tempC,
// rhPct (0.05 to 100 %RH over water) and pressurePa, over liquid water, also
// where that lies below 0 °C: ASHRAE 2017 chapter 1 equation 33. It always lies
// between the dew point and the air temperature.
func WetBulbC(tempC, rhPct, pressurePa float64) (float64, error) {
	if err := checkHumidAir(tempC, rhPct); err != nil {
		return 0, err
	}
	// The saturated air at the wick is never hotter than the air itself.
	if _, err := HumidityRatio(tempC, MaxRHPct, pressurePa); err != nil {
		return 0, fmt.Errorf("wet bulb: %w", err)
	}
	w := ratio(FastVapourPressurePa(tempC, rhPct), pressurePa)
	excess := func(wetC float64) float64 {
		return wickRatio(tempC, wetC, ratio(FastSaturationPa(wetC), pressurePa)) - w
	}
	return risingZero(excess, FastDewPointC(tempC, rhPct), tempC), nil
}

// RHFromWetBulbPct is the RH in %RH over water that a psychrometer shows: dry
// bulb tempC, wet bulb wetC over liquid water, at pressurePa. It is the inverse
// of [WetBulbC]. A wet bulb above the dry bulb, or so far below it that no air
// is that dry, is an error.
func RHFromWetBulbPct(tempC, wetC, pressurePa float64) (float64, error) {
	if err := within("air temperature", tempC, MinTempC, MaxTempC, "°C"); err != nil {
		return 0, err
	}
	if err := within("wet bulb", wetC, MinTempC, tempC, "°C"); err != nil {
		return 0, err
	}
	if _, err := HumidityRatio(tempC, MaxRHPct, pressurePa); err != nil {
		return 0, fmt.Errorf("RH from a wet bulb: %w", err)
	}
	w := wickRatio(tempC, wetC, ratio(FastSaturationPa(wetC), pressurePa))
	if w < 0 {
		return 0, fmt.Errorf("RH from a wet bulb: %g °C is lower than dry air at %g °C can bring it", wetC, tempC)
	}
	return RHFromVapourPressurePct(tempC, pressurePa*w/(molarRatio+w))
}

// wickRatio is the humidity ratio of air at tempC over a wick of liquid water at
// wetC, whose own saturated ratio is given (equation 33).
func wickRatio(tempC, wetC, saturated float64) float64 {
	return ((evaporationJ-waterLossJ*wetC)*saturated - dryAirHeatJ*(tempC-wetC)) /
		(evaporationJ + vapourHeatJ*tempC - liquidWickJ*wetC)
}

// frozenWickRatio is [wickRatio] for a wick of ice (equation 35).
func frozenWickRatio(tempC, bulbC, saturated float64) float64 {
	return ((sublimationJ-iceLossJ*bulbC)*saturated - dryAirHeatJ*(tempC-bulbC)) /
		(sublimationJ + vapourHeatJ*tempC - frozenWickJ*bulbC)
}

// IceBulbC is the wet-bulb temperature in °C of a wick covered with ice, ASHRAE
// 2017 chapter 1 equation 35, from the air temperature and the partial pressure
// of its vapour. It exists only where it comes out at or below 0.01 °C and the
// air is not supersaturated over ice; everything else is an error.
func IceBulbC(tempC, vapourPa, pressurePa float64) (float64, error) {
	if err := within("air temperature", tempC, MinTempC, MaxTempC, "°C"); err != nil {
		return 0, err
	}
	frostC, err := FrostPointFromVapourPressureC(vapourPa)
	if err != nil {
		return 0, fmt.Errorf("ice bulb: %w", err)
	}
	w, err := HumidityRatioFromVapourPressure(vapourPa, pressurePa)
	if err != nil {
		return 0, fmt.Errorf("ice bulb: %w", err)
	}
	excess := func(bulbC float64) float64 {
		return frozenWickRatio(tempC, bulbC, ratio(saturationOverIcePa(bulbC), pressurePa)) - w
	}
	top := math.Min(tempC, TriplePointC)
	if frostC > top+1e-6 {
		return 0, fmt.Errorf("ice bulb: air at %g °C is supersaturated, its frost point is %g °C", tempC, frostC)
	}
	if excess(top) < -1e-12 {
		return 0, fmt.Errorf("ice bulb: the wick in air at %g °C with %g Pa of vapour is above freezing", tempC, vapourPa)
	}
	return risingZero(excess, math.Min(frostC, top), top), nil
}

// risingZero finds the zero of a rising function that is not above zero at lo
// and not below at hi, by the Illinois method (regula falsi that halves the
// weight of an end that stays). What rounding leaves outside is the end itself.
func risingZero(f func(float64) float64, lo, hi float64) float64 {
	atLo, atHi := f(lo), f(hi)
	if atLo >= 0 {
		return lo
	}
	if atHi <= 0 {
		return hi
	}
	x, side := lo, 0
	for round := 0; hi-lo > solverStepC && round < solverMaxRound; round++ {
		x = (lo*atHi - hi*atLo) / (atHi - atLo)
		y := f(x)
		switch {
		case y == 0:
			return x
		case y < 0:
			lo, atLo = x, y
			if side < 0 {
				atHi /= 2
			}
			side = -1
		default:
			hi, atHi = x, y
			if side > 0 {
				atLo /= 2
			}
			side = 1
		}
	}
	return x
}
