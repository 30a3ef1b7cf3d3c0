// Package warranty judges whether the conditions that a warranty asks for were
// kept at one property over a period.
//
// # What a verdict is
//
// Every term ends as kept, not-kept or not-proven. For each figure the package
// works out two cases: the best, in which everything that is not known was good,
// and the worst, in which it was bad. Where the worst case still meets the
// limit the term is kept; where even the best case does not, it is not kept;
// where the two disagree nothing is proven. So a gap never counts as good time,
// and never as bad time either.
//
// # Not known
//
// A reading holds until the next one, at most for 1.25 times its interval; where
// the next one is later it holds for one interval only, and the rest is not
// known. That is stricter than what alarms use: there a lost reading must not
// cry wolf, here it must not hide anything. What was received later than the
// seal delay is unwitnessed: it is counted and shown, and otherwise as if it had
// not come, because whoever holds a gateway's password could have made it up.
//
// # Uncertain
//
// Decision rule (JCGM 106:2012, guarded acceptance and guarded rejection, simple
// acceptance for neither side): a reading counts as above a limit when it lies
// above it by more than the guard band, as below when it lies at least the guard
// band below it, and in between as undecided, which is good in the best case and
// bad in the worst. The guard band is k·u; u is the standard uncertainty of the
// corrected reading and k the normal quantile of the conformance probability
// that the terms ask for (1.645 for 95 %).
//
// # Left out
//
// Drying out, visits, reported outages and power cuts count neither way, where
// the terms say so. What was measured in them was measured all the same: a good
// reading ends an excursion, wood and mold go on, and unmeasured hours widen their
// bounds. Only nothing is held against anybody for such hours, nor for what grew
// in them: the best case goes without it. So no reading that is missing, not even
// one that proved an outage, ever turns not-proven into kept.
//
// # Whole days, standing alone
//
// Periods are whole days of the property's own calendar, so days of 23 and 25
// hours are what they are. A verdict rests on the days of its period and on
// nothing before: hours above in a rolling year and the mold index are counted
// from its first day, and it says so. A stranger who holds those days alone
// comes to the same answer.
//
// The package is pure: no clock, file, network or database.
package warranty
