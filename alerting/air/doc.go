// Package air holds the science of moist air, of wood in it and of mold on
// that wood: psychrometrics, equilibrium moisture content, the mold index and
// the salts that a humidity sensor is checked against.
//
// # One formula set
//
// All vapour pressures come from the Hyland and Wexler (1983) equations as
// printed in the ASHRAE Handbook Fundamentals 2017, chapter 1: equation 6 over
// liquid water and equation 5 over ice. They were chosen over the shorter
// Magnus forms because the handbook tables a practitioner checks against were
// computed from them (they agree to 0.03 %, Magnus to 0.3 %), and because one
// pair of curves serves forward and inverse, so a dew point and the RH it came
// from never disagree. The inverse is solved on the same curve, not fitted.
//
// Relative humidity is always over liquid water, below freezing too: that is
// how WMO-No. 8 defines it and what humidity sensors report. Only functions
// with Ice or Frost in their names look at ice. At -10 °C the two curves
// differ by 10 %.
//
// Air is treated as an ideal mixture (no enhancement factor); for humidity
// ratios that costs up to 0.5 % near room conditions, and it cancels wherever a
// dew point is found from an RH.
//
// # Two doors
//
// Functions that return an error check their input: a value that is not a
// number or lies outside the stated range is a *[RangeError], and what they
// return without an error is never NaN or infinite. Functions whose names
// begin with Fast are for readings that were checked on arrival (the possible
// values of the wire contract all lie inside the ranges here); they check
// nothing, allocate nothing and say what they do at the edges.
//
// The package is pure: no clock, no network, no database.
package air
