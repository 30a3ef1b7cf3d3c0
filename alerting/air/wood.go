package air

import (
	"math"
	"time"
)

// Where the equilibrium moisture content is known. The published table ends at
// 95 %RH; up to 100 %RH the equation is used as an extrapolation (at most 29 %),
// and a moisture content above that cannot come from humid air: it is liquid
// water.
const (
	EMCMinTempC      = -1.2  // table: 30 °F
	EMCMaxTempC      = 132.3 // table: 270 °F
	EMCTableMinRHPct = 5.0
	EMCTableMaxRHPct = 95.0
)

// FastEMCPct is [EMCPct] without the check. Temperatures outside the table's
// range take its nearest end: below freezing the equilibrium hardly depends on
// temperature (under 0.2 % from 0 to 10 °C), so a winter reading still has a value.
func FastEMCPct(tempC, rhPct float64) float64 {
	t := min(max(tempC, EMCMinTempC), EMCMaxTempC)
	w := 349 + t*(1.29+t*0.0135)
	k := 0.805 + t*(0.000736-t*0.00000273)
	k1 := 6.27 - t*(0.00938+t*0.000303)
	k2 := 1.91 + t*(0.0407-t*0.000293)
	kh := k * rhPct * 0.01
	one := k1 * kh
	two := one * k2 * kh
	return 1800 / w * (kh/(1-kh) + (one+2*two)/(1+one+two))
}

// EMCPct is the equilibrium moisture content of wood in % of its dry mass, in
// air at tempC (-1.2 to 132.3 °C) and rhPct (0 to 100 %RH): Wood Handbook,
// FPL-GTR-190 (2010), equation 4-5 with its constants for °C. Species and
// history move the real value by 1 to 2 %.
func EMCPct(tempC, rhPct float64) (float64, error) {
	if err := within("temperature of wood", tempC, EMCMinTempC, EMCMaxTempC, "°C"); err != nil {
		return 0, err
	}
	if err := within("relative humidity", rhPct, 0, MaxRHPct, "%RH"); err != nil {
		return 0, err
	}
	return FastEMCPct(tempC, rhPct), nil
}

// RHFromEMCPct is the RH in %RH with which wood at tempC and emcPct is in
// equilibrium, the inverse of [EMCPct] to 0.000001 %RH. More moisture than
// 100 %RH can give is a *[RangeError].
func RHFromEMCPct(tempC, emcPct float64) (float64, error) {
	if err := within("temperature of wood", tempC, EMCMinTempC, EMCMaxTempC, "°C"); err != nil {
		return 0, err
	}
	if err := within("moisture content", emcPct, 0, FastEMCPct(tempC, MaxRHPct), "%"); err != nil {
		return 0, err
	}
	lo, hi := 0.0, MaxRHPct
	for hi-lo > 1e-7 {
		mid := (lo + hi) / 2
		if FastEMCPct(tempC, mid) < emcPct {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2, nil
}

// DefaultWoodTimeConstant is how long a floor joist takes to go 63 % of the way
// to a new equilibrium (common practice, no source: days for a 38 mm member).
const DefaultWoodTimeConstant = 10 * 24 * time.Hour

// maxWoodTimeConstant is ten years; slower than that is no joist.
const maxWoodTimeConstant = 10 * 365 * 24 * time.Hour

// WoodLag follows the moisture content of a member that trails the equilibrium
// of its air by a first-order lag. It is a plain value to store and to resume.
type WoodLag struct {
	TimeConstant time.Duration `json:"time_constant_ns"`
	MoisturePct  float64       `json:"moisture_pct"` // % of dry mass
	Started      bool          `json:"started"`      // false until MoisturePct means something
}

// NewWoodLag is a lag with the given time constant (1 minute to 10 years) that
// has seen nothing yet: its first step takes the equilibrium as its start. Use
// [WoodLag.StartAt] where the moisture was measured.
func NewWoodLag(timeConstant time.Duration) (WoodLag, error) {
	err := within("time constant of wood", timeConstant.Hours(), time.Minute.Hours(), maxWoodTimeConstant.Hours(), "h")
	if err != nil {
		return WoodLag{}, err
	}
	return WoodLag{TimeConstant: timeConstant}, nil
}

// StartAt sets the moisture content to a measured one (0 to 100 %).
func (w *WoodLag) StartAt(moisturePct float64) error {
	if err := within("moisture content", moisturePct, 0, 100, "%"); err != nil {
		return err
	}
	w.MoisturePct, w.Started = moisturePct, true
	return nil
}

// Step moves the wood towards emcPct, held for the given time, and returns its
// moisture content in %. The step is the exact solution for a held input, so
// it does not depend on how a period is cut into steps. A time of zero or less
// moves nothing, and neither does an emcPct that is not a number.
func (w *WoodLag) Step(emcPct float64, held time.Duration) float64 {
	switch {
	case math.IsNaN(emcPct):
	case !w.Started:
		w.MoisturePct, w.Started = emcPct, true
	default:
		w.MoisturePct = w.After(emcPct, held)
	}
	return w.MoisturePct
}

// After is the moisture content in % that Step would lead to, without taking
// it; a time constant of 0 follows at once. Calling it with the driest and the wettest conceivable equilibrium bounds
// the wood through a gap in the data.
func (w *WoodLag) After(emcPct float64, held time.Duration) float64 {
	switch {
	case held <= 0:
		return w.MoisturePct
	case w.TimeConstant <= 0:
		return emcPct // wood without inertia
	}
	return emcPct + (w.MoisturePct-emcPct)*math.Exp(-float64(held)/float64(w.TimeConstant))
}
