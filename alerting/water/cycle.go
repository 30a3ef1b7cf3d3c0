package water

import (
	"errors"
	"fmt"
)

// FillSeconds is how long inflow takes to bring storage from float-off to float-on:
// the pump's rest.
func FillSeconds(storageL, inflowLps float64) (float64, error) {
	if err := errors.Join(positive("storage", storageL), positive("inflow", inflowLps)); err != nil {
		return 0, err
	}
	return storageL / inflowLps, nil
}

// DrawDownSeconds is how long a pump takes from float-on to float-off while inflow
// goes on: V/(Q − q). It is an error when the pump does not keep up.
func DrawDownSeconds(storageL, pumpLps, inflowLps float64) (float64, error) {
	err := errors.Join(positive("storage", storageL), positive("pump flow", pumpLps), notNegative("inflow", inflowLps))
	if err != nil {
		return 0, err
	}
	if inflowLps >= pumpLps {
		return 0, fmt.Errorf("inflow %g L/s is not below the pump's %g L/s: the level never falls", inflowLps, pumpLps)
	}
	return storageL / (pumpLps - inflowLps), nil
}

// CycleSeconds is run plus rest, V/(Q − q) + V/q (MIL-HDBK-1005/9A section 2.5.3.6,
// eq. 1).
func CycleSeconds(storageL, pumpLps, inflowLps float64) (float64, error) {
	run, err := DrawDownSeconds(storageL, pumpLps, inflowLps)
	if err != nil {
		return 0, err
	}
	rest, err := FillSeconds(storageL, inflowLps)
	if err != nil {
		return 0, err
	}
	return run + rest, nil
}

// MinCycleSeconds is the shortest cycle, reached when inflow is half of what the pump
// delivers: 4V/Q (MIL-HDBK-1005/9A section 2.5.3.6, eq. 2).
func MinCycleSeconds(storageL, pumpLps float64) (float64, error) {
	if err := errors.Join(positive("storage", storageL), positive("pump flow", pumpLps)); err != nil {
		return 0, err
	}
	return 4 * storageL / pumpLps, nil
}

// StartsPerHour at an inflow.
func StartsPerHour(storageL, pumpLps, inflowLps float64) (float64, error) {
	s, err := CycleSeconds(storageL, pumpLps, inflowLps)
	if err != nil {
		return 0, err
	}
	return secondsPerHour / s, nil
}

// MaxStartsPerHour is what follows at an inflow of half the pump's flow.
func MaxStartsPerHour(storageL, pumpLps float64) (float64, error) {
	s, err := MinCycleSeconds(storageL, pumpLps)
	if err != nil {
		return 0, err
	}
	return secondsPerHour / s, nil
}

// InflowLps is what came in during a rest: storage (plus what had drained back is
// already in it) over the time it took.
func InflowLps(storageL, restSeconds float64) (float64, error) {
	if err := errors.Join(positive("storage", storageL), positive("rest", restSeconds)); err != nil {
		return 0, err
	}
	return storageL / restSeconds, nil
}

// PumpFlowLps is what the pump delivered during a run: storage over run time, plus
// the inflow that kept arriving. Leaving the inflow out understates the pump.
func PumpFlowLps(storageL, runSeconds, inflowLps float64) (float64, error) {
	err := errors.Join(positive("storage", storageL), positive("run", runSeconds), notNegative("inflow", inflowLps))
	if err != nil {
		return 0, err
	}
	return storageL/runSeconds + inflowLps, nil
}

// CapacityMargin is the share of the pump's flow that inflow leaves unused: 1 at
// rest, 0 when the pump just keeps up, negative when water rises.
func CapacityMargin(pumpLps, inflowLps float64) (float64, error) {
	if err := errors.Join(positive("pump flow", pumpLps), notNegative("inflow", inflowLps)); err != nil {
		return 0, err
	}
	return 1 - inflowLps/pumpLps, nil
}
