// Package water holds the hydraulics of a sump and the response of one site to
// rain: basin geometry, pump and discharge curves, cycle times, storms, and how
// many pump cycles a depth of rain brings.
//
// Everything is a pure function of plain SI figures (units in the names). A
// value that cannot be is an error, never NaN. Sources stand beside each
// formula; "from memory" marks those that were not looked up again.
package water

import (
	"fmt"
	"math"
)

// Exact by definition (NIST SP 811).
const (
	metersPerInch  = 0.0254
	metersPerFoot  = 0.3048
	litersPerGal   = 3.785411784
	lpsPerGpm      = litersPerGal / 60
	litersPerM3    = 1000.0
	secondsPerHour = 3600.0
)

// GravityMps2 is standard gravity.
const GravityMps2 = 9.80665

// positive refuses zero, negative, infinite and NaN values by name.
func positive(name string, v float64) error {
	if !(v > 0) || math.IsInf(v, 0) {
		return fmt.Errorf("%s must be a positive number, is %g", name, v)
	}
	return nil
}

// notNegative refuses negative, infinite and NaN values by name.
func notNegative(name string, v float64) error {
	if !(v >= 0) || math.IsInf(v, 0) {
		return fmt.Errorf("%s must not be negative, is %g", name, v)
	}
	return nil
}
