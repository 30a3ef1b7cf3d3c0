package air

import "math"

// StandardFromLimit turns an accuracy given as plus or minus a limit into a
// standard uncertainty. Nothing is known between the limits, so every value
// there is equally likely: limit/√3 (JCGM 100:2008, 4.3.7).
func StandardFromLimit(limit float64) float64 { return limit / math.Sqrt(3) }

// Estimate is a value with its standard uncertainty in the same unit.
type Estimate struct {
	Value    float64 `json:"value"`
	Standard float64 `json:"standard_uncertainty"`
}

// DewPointEstimateC is the dew point in °C and its standard uncertainty in K,
// from the standard uncertainties of temperature (K, 0 to 5) and RH (%RH, 0 to
// 20), taken as independent: law of propagation, JCGM 100:2008 equation 10.
// Linear, so trust it while uRHPct is well below rhPct; [DewPointLimitsC] is
// exact at any size.
func DewPointEstimateC(tempC, rhPct, uTempK, uRHPct float64) (Estimate, error) {
	if err := checkUncertainties(uTempK, uRHPct); err != nil {
		return Estimate{}, err
	}
	dewC, err := DewPointC(tempC, rhPct)
	if err != nil {
		return Estimate{}, err
	}
	perK, perRH := dewSensitivity(tempC, rhPct, dewC)
	return Estimate{Value: dewC, Standard: math.Hypot(perK*uTempK, perRH*uRHPct)}, nil
}

// FastDewPointUncertaintyK is the standard uncertainty in K of a dew point that
// was already found; nothing is checked, and rhPct is floored as in
// [FastDewPointC].
func FastDewPointUncertaintyK(tempC, rhPct, dewC, uTempK, uRHPct float64) float64 {
	perK, perRH := dewSensitivity(tempC, math.Max(rhPct, MinRHPct), dewC)
	a, b := perK*uTempK, perRH*uRHPct
	return math.Sqrt(a*a + b*b)
}

// dewSensitivity is how far the dew point moves per K of air temperature and
// per %RH: both follow from ln e(dew) = ln e(temp) + ln(RH/100).
func dewSensitivity(tempC, rhPct, dewC float64) (perK, perRH float64) {
	atDew := slopeWater(dewC + zeroCelsiusK)
	return slopeWater(tempC+zeroCelsiusK) / atDew, 1 / (rhPct * atDew)
}

func checkUncertainties(uTempK, uRHPct float64) error {
	if err := within("uncertainty of temperature", uTempK, 0, 5, "K"); err != nil {
		return err
	}
	return within("uncertainty of relative humidity", uRHPct, 0, 20, "%RH")
}

// ApproachEstimateK is how far a surface lies above the dew point of its air,
// in K, with its standard uncertainty; negative means condensing. The surface
// sensor is taken as independent of the air sensor.
func ApproachEstimateK(surfaceTempC, uSurfaceK, tempC, rhPct, uTempK, uRHPct float64) (Estimate, error) {
	if err := within("surface temperature", surfaceTempC, MinTempC, MaxTempC, "°C"); err != nil {
		return Estimate{}, err
	}
	if err := within("uncertainty of the surface temperature", uSurfaceK, 0, 5, "K"); err != nil {
		return Estimate{}, err
	}
	dew, err := DewPointEstimateC(tempC, rhPct, uTempK, uRHPct)
	if err != nil {
		return Estimate{}, err
	}
	return Estimate{Value: surfaceTempC - dew.Value, Standard: math.Hypot(uSurfaceK, dew.Standard)}, nil
}

// DewPointLimitsC is the lowest and the highest dew point in °C that air can
// have when its temperature is within ±limitK and its RH within ±limitRHPct.
// The dew point rises with both, so the ends of the box are the ends of the
// answer. RH is held to [MinRHPct] and 100.
func DewPointLimitsC(tempC, rhPct, limitK, limitRHPct float64) (lowC, highC float64, err error) {
	if err := checkHumidAir(tempC, rhPct); err != nil {
		return 0, 0, err
	}
	if err := checkUncertainties(limitK, limitRHPct); err != nil {
		return 0, 0, err
	}
	lowC = FastDewPointC(math.Max(tempC-limitK, MinTempC), math.Max(rhPct-limitRHPct, MinRHPct))
	highC = FastDewPointC(math.Min(tempC+limitK, MaxTempC), math.Min(rhPct+limitRHPct, MaxRHPct))
	return lowC, highC, nil
}
