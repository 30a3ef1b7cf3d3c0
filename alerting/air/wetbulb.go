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
	w, err := wickRatios(tempC, rhPct, pressurePa)
	if err != nil {
		return 0, err
	}
	excess := func(wetC float64) float64 {
		saturated := ratio(FastSaturationPa(wetC), pressurePa)
		return ((evaporationJ-waterLossJ*wetC)*saturated-dryAirHeatJ*(tempC-wetC))/
			(evaporationJ+vapourHeatJ*tempC-liquidWickJ*wetC) - w
	}
	return risingZero(excess, FastDewPointC(tempC, rhPct), tempC), nil
}

// wickRatios is the humidity ratio of the air, once it is known that the
// saturated air at the wick has one too.
func wickRatios(tempC, rhPct, pressurePa float64) (float64, error) {
	if _, err := HumidityRatio(tempC, 100, pressurePa); err != nil {
		return 0, fmt.Errorf("wet bulb: %w", err)
	}
	return HumidityRatio(tempC, rhPct, pressurePa)
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
		saturated := ratio(saturationOverIcePa(bulbC), pressurePa)
		return ((sublimationJ-iceLossJ*bulbC)*saturated-dryAirHeatJ*(tempC-bulbC))/
			(sublimationJ+vapourHeatJ*tempC-frozenWickJ*bulbC) - w
	}
	top := math.Min(tempC, TriplePointC)
	if top < frostC-1e-6 || excess(top) < -1e-12 {
		return 0, &RangeError{What: "air temperature for an ice bulb", Value: tempC, Min: frostC, Max: TriplePointC, Unit: "°C"}
	}
	return risingZero(excess, frostC, top), nil
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
	side := 0
	for range solverMaxRound {
		if hi-lo < solverStepC {
			break
		}
		x := (lo*atHi - hi*atLo) / (atHi - atLo)
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
	return (lo + hi) / 2
}
