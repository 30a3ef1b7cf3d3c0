// Package simulate is a physical model of a space under a house: its moisture
// and heat, the dehumidifier, the surfaces, the sump and its pump, and the
// gateway that reports all of it. It drives the demonstration fleet, the load
// generator and the detection benchmark.
//
// The outdoor air and the rain are measured (see Weather and Rain); everything
// else follows from balances that are stepped minute by minute, and second by
// second while a pump runs. Faults and harmless look-alikes are injected as
// Fault values with a beginning and an end. What the sensors say is disturbed
// (noise, bias, rounding, drop-outs, late forwarding, duplicates, clock jumps);
// what is really the case is kept in a Truth, so that a benchmark can judge an
// evaluator without asking it.
//
// The model shares no formula with the packages that judge: its psychrometrics,
// sorption, hydraulics and rain response are its own. It is deterministic: the
// same configuration and seed give the same messages, however the steps are cut.
// It reads no clock.
package simulate
