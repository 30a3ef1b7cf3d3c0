package simulate

import "math"

// The model's own psychrometrics: Magnus over water with the constants of
// WMO-No. 8 (2018) Annex 4.B (611.2 Pa, 17.62, 243.12 °C), good within 0.5 %
// between -40 and 50 °C.
const (
	magnusA = 17.62
	magnusB = 243.12
	magnusP = 611.2
)

// saturationPa is the saturation vapour pressure over water at tempC, in Pa.
func saturationPa(tempC float64) float64 {
	return magnusP * math.Exp(magnusA*tempC/(magnusB+tempC))
}

// dewPointC is the temperature at which vapourPa saturates.
func dewPointC(vapourPa float64) float64 {
	x := math.Log(math.Max(vapourPa, 1) / magnusP)
	return magnusB * x / (magnusA - x)
}

// rhPct is the relative humidity of air at tempC, held to 1-100.
func rhPct(vapourPa, tempC float64) float64 {
	return clamp(100*vapourPa/saturationPa(tempC), 1, 100)
}

func clamp(x, lo, hi float64) float64 { return min(max(x, lo), hi) }

// Sorption of softwood as 1-φ = exp(-k·u^n) (Henderson's form). k and n are
// fitted through 9.2 % at 50 %RH and 16.0 % at 80 %RH, the Wood Handbook's
// figures near 21 °C; the fit gives 20.2 % at 90 %RH (handbook 20.5).
const (
	sorptionK = 0.02373
	sorptionN = 1.521
)

// woodRH is the relative humidity (0-1) in equilibrium with wood of moistPct.
func woodRH(moistPct float64) float64 {
	return 1 - math.Exp(-sorptionK*math.Pow(math.Max(moistPct, 0), sorptionN))
}

// woodMoisturePct is the moisture of wood in equilibrium with air at rh (0-100).
func woodMoisturePct(rh float64) float64 {
	phi := clamp(rh/100, 0.01, 0.985)
	return math.Pow(-math.Log(1-phi)/sorptionK, 1/sorptionN)
}
