package water

import (
	"errors"
	"fmt"
	"math"
)

// The range in which DehumidifierShare is used; wider than a crawl space gets.
const (
	minDryingTempC, maxDryingTempC = 10, 35
	minDryingRHPct, maxDryingRHPct = 35, 80
)

// DehumidifierShare is what a refrigerant dehumidifier removes at an air temperature
// and humidity, as a share of its rating at 26.7 °C (80 °F) and 60 %RH. Generic curve
// of Winkler, Christensen and Tomerlin, "Laboratory Test Report for Six ENERGY STAR
// Dehumidifiers", NREL/TP-5500-52791 (2011); it gives 0.986, not 1, at its own
// rating point. 10-35 °C and 35-80 %RH; an error outside.
func DehumidifierShare(airTempC, rhPct float64) (float64, error) {
	if !(airTempC >= minDryingTempC && airTempC <= maxDryingTempC) {
		return 0, fmt.Errorf("dehumidifier curve: air temperature %g °C is outside %d to %d °C", airTempC, minDryingTempC, maxDryingTempC)
	}
	if !(rhPct >= minDryingRHPct && rhPct <= maxDryingRHPct) {
		return 0, fmt.Errorf("dehumidifier curve: humidity %g %%RH is outside %d to %d %%RH", rhPct, minDryingRHPct, maxDryingRHPct)
	}
	t, h := airTempC, rhPct
	share := -1.162525707 + 0.02271469*t - 0.000113208*t*t + 0.021110538*h - 0.0000693034*h*h + 0.000378843*t*h
	return math.Max(0, share), nil
}

// waterGasConstant is the specific gas constant of water vapour, J/(kg·K).
const waterGasConstant = 461.5

// MoistureLoadLPerDay is the water that an airflow carries into a space when the
// vapour pressure outside it is vapourPa higher than inside (negative: it dries):
// m = Q Δe / (Rv T), the ideal-gas law, at 1 kg a litre. Air temperature −40 to 60 °C.
func MoistureLoadLPerDay(airflowLps, vapourPa, airTempC float64) (float64, error) {
	if err := notNegative("airflow", airflowLps); err != nil {
		return 0, err
	}
	if math.IsNaN(vapourPa) || math.IsInf(vapourPa, 0) {
		return 0, errors.New("vapour pressure difference is not a number")
	}
	if !(airTempC >= -40 && airTempC <= 60) {
		return 0, fmt.Errorf("air temperature %g °C is outside -40 to 60 °C", airTempC)
	}
	const secondsPerDay = 86400
	kgPerS := airflowLps / litersPerM3 * vapourPa / (waterGasConstant * (airTempC + 273.15))
	return kgPerS * secondsPerDay, nil
}
