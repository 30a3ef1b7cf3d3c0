package air

import "fmt"

// Ranges that the checked functions accept. They enclose every possible value
// of the wire contract, so a stored reading is never refused for its range.
const (
	MinTempC      = -60.0    // coldest air or surface, °C
	MaxTempC      = 100.0    // hottest air or surface, °C
	MinDewPointC  = -100.0   // lowest dew or frost point, °C: the end of ASHRAE equation 5
	MinRHPct      = 0.05     // driest air that still has a dew point here, %RH
	MaxRHPct      = 100.0    // saturated over water, %RH
	MinPressurePa = 50000.0  // air pressure near 5,500 m, Pa
	MaxPressurePa = 110000.0 // above any sea-level high, Pa

	// StandardPressurePa is the sea-level pressure of the standard atmosphere.
	StandardPressurePa = 101325.0
	// TriplePointC is where ice, water and vapour meet; ice ends there.
	TriplePointC = 0.01

	zeroCelsiusK = 273.15
)

// RangeError is an input that a formula does not cover. NaN and infinities are
// out of every range.
type RangeError struct {
	What     string  // which input, e.g. "relative humidity"
	Value    float64 // what was given
	Min, Max float64 // what is accepted, inclusive
	Unit     string
}

// Error names the input, its value and what is accepted.
func (e *RangeError) Error() string {
	return fmt.Sprintf("%s %g %s is outside %g to %g %s", e.What, e.Value, e.Unit, e.Min, e.Max, e.Unit)
}

// within is nil when lo <= v <= hi; the comparison is false for NaN.
func within(what string, v, lo, hi float64, unit string) error {
	if v >= lo && v <= hi {
		return nil
	}
	return &RangeError{What: what, Value: v, Min: lo, Max: hi, Unit: unit}
}

// CheckAir says whether a temperature in °C and an RH in %RH over water are a
// state of air that this package covers (0 %RH included).
func CheckAir(tempC, rhPct float64) error {
	if err := within("air temperature", tempC, MinTempC, MaxTempC, "°C"); err != nil {
		return err
	}
	return within("relative humidity", rhPct, 0, MaxRHPct, "%RH")
}
