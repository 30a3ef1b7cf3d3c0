package air

import (
	"fmt"
	"math"
)

// Constants of ASHRAE Handbook Fundamentals 2017, chapter 1.
const (
	molarRatio     = 0.621945 // water to dry air, eq 20
	vapourGasJ     = 461.524  // specific gas constant of water vapour, J/(kg K)
	dryAirHeatJ    = 1006.0   // J/(kg K), eq 30
	vapourHeatJ    = 1860.0   // J/(kg K), eq 30
	evaporationJ   = 2501e3   // J/kg at 0 °C, eq 30
	sublimationJ   = 2830e3   // J/kg at 0 °C, eq 35
	waterLossJ     = 2326.0   // fall of the heat of evaporation, J/(kg K), eq 33
	iceLossJ       = 240.0    // fall of the heat of sublimation, J/(kg K), eq 35
	liquidWickJ    = 4186.0   // J/(kg K), eq 33
	frozenWickJ    = 2100.0   // J/(kg K), eq 35
	minAltitudeM   = -500.0
	maxAltitudeM   = 5500.0
	solverStepC    = 1e-8
	solverMaxRound = 100
)

// PressureAtAltitudePa is the pressure in Pa of the standard atmosphere at an
// altitude in m (-500 to 5500), ASHRAE 2017 chapter 1 equation 3.
func PressureAtAltitudePa(altitudeM float64) (float64, error) {
	if err := within("altitude", altitudeM, minAltitudeM, maxAltitudeM, "m"); err != nil {
		return 0, err
	}
	return StandardPressurePa * math.Pow(1-2.25577e-5*altitudeM, 5.2559), nil
}

// HumidityRatio is the mass of water vapour per mass of dry air in kg/kg, at
// tempC, rhPct (over water) and air pressure in Pa (50 to 110 kPa), ASHRAE 2017
// chapter 1 equation 20. Air so hot that its vapour alone would reach the air
// pressure is an error.
func HumidityRatio(tempC, rhPct, pressurePa float64) (float64, error) {
	vapourPa, err := VapourPressurePa(tempC, rhPct)
	if err != nil {
		return 0, err
	}
	return HumidityRatioFromVapourPressure(vapourPa, pressurePa)
}

// HumidityRatioFromVapourPressure is [HumidityRatio] from a partial pressure of
// vapour in Pa.
func HumidityRatioFromVapourPressure(vapourPa, pressurePa float64) (float64, error) {
	if err := within("air pressure", pressurePa, MinPressurePa, MaxPressurePa, "Pa"); err != nil {
		return 0, err
	}
	// At 99 % of the pressure hardly any dry air is left to relate to.
	if err := within("vapour pressure", vapourPa, 0, 0.99*pressurePa, "Pa"); err != nil {
		return 0, fmt.Errorf("humidity ratio at %g Pa: %w", pressurePa, err)
	}
	return ratio(vapourPa, pressurePa), nil
}

func ratio(vapourPa, pressurePa float64) float64 {
	return molarRatio * vapourPa / (pressurePa - vapourPa)
}

// FastAbsoluteHumidityGPerM3 is [AbsoluteHumidityGPerM3] without the check.
func FastAbsoluteHumidityGPerM3(tempC, rhPct float64) float64 {
	return 1000 * FastVapourPressurePa(tempC, rhPct) / (vapourGasJ * (tempC + zeroCelsiusK))
}

// AbsoluteHumidityGPerM3 is the mass of water vapour in g per m³ of air, from
// the ideal gas law with 461.524 J/(kg K).
func AbsoluteHumidityGPerM3(tempC, rhPct float64) (float64, error) {
	if err := CheckAir(tempC, rhPct); err != nil {
		return 0, err
	}
	return FastAbsoluteHumidityGPerM3(tempC, rhPct), nil
}

// EnthalpyJPerKg is the enthalpy of moist air in J per kg of dry air, zero for
// dry air at 0 °C, ASHRAE 2017 chapter 1 equation 30.
func EnthalpyJPerKg(tempC, rhPct, pressurePa float64) (float64, error) {
	w, err := HumidityRatio(tempC, rhPct, pressurePa)
	if err != nil {
		return 0, err
	}
	return EnthalpyFromRatioJPerKg(tempC, w)
}

// EnthalpyFromRatioJPerKg is [EnthalpyJPerKg] from a humidity ratio in kg/kg
// (0 to 62, where vapour has 99 % of the pressure).
func EnthalpyFromRatioJPerKg(tempC, humidityRatio float64) (float64, error) {
	if err := within("air temperature", tempC, MinTempC, MaxTempC, "°C"); err != nil {
		return 0, err
	}
	if err := within("humidity ratio", humidityRatio, 0, 62, "kg/kg"); err != nil {
		return 0, err
	}
	return dryAirHeatJ*tempC + humidityRatio*(evaporationJ+vapourHeatJ*tempC), nil
}
