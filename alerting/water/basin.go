package water

import (
	"fmt"
	"math"
)

// Basin is a round sump basin, straight or tapered.
type Basin struct {
	DiameterM    float64 // inside, at the floor
	TopDiameterM float64 // inside, at DepthM above the floor; 0: straight
	DepthM       float64 // needed when tapered; 0: not given
	// DisplacementL is what pump body and pipe take up between the floats; it
	// holds no water and so takes away from the storage.
	DisplacementL float64
}

// Validate says what is impossible about the basin.
func (b Basin) Validate() error {
	if err := positive("basin diameter", b.DiameterM); err != nil {
		return err
	}
	for _, c := range []struct {
		name string
		v    float64
	}{
		{"basin top diameter", b.TopDiameterM},
		{"basin depth", b.DepthM},
		{"pump displacement", b.DisplacementL},
	} {
		if err := notNegative(c.name, c.v); err != nil {
			return err
		}
	}
	if b.TopDiameterM > 0 && b.TopDiameterM != b.DiameterM && b.DepthM == 0 {
		return fmt.Errorf("a tapered basin (%g m to %g m) needs its depth", b.DiameterM, b.TopDiameterM)
	}
	return nil
}

// DiameterAtM is the inside diameter at a level above the floor.
func (b Basin) DiameterAtM(levelM float64) float64 {
	if b.TopDiameterM == 0 || b.DepthM == 0 {
		return b.DiameterM
	}
	return b.DiameterM + (b.TopDiameterM-b.DiameterM)*levelM/b.DepthM
}

// AreaM2 is the free water surface at a level above the floor.
func (b Basin) AreaM2(levelM float64) float64 {
	d := b.DiameterAtM(levelM)
	return math.Pi / 4 * d * d
}

// GrossL is the volume of the basin between two levels, pump not subtracted: a
// cylinder, or the frustum of a cone, π h (d1² + d1 d2 + d2²)/12 (geometry).
func (b Basin) GrossL(fromM, toM float64) float64 {
	d1, d2 := b.DiameterAtM(fromM), b.DiameterAtM(toM)
	return math.Pi * (toM - fromM) * (d1*d1 + d1*d2 + d2*d2) / 12 * litersPerM3
}

// StorageL is the water between float-off and float-on: what one pump cycle
// removes, apart from what flows in meanwhile. Levels are above the floor.
func (b Basin) StorageL(offM, onM float64) (float64, error) {
	if err := b.Validate(); err != nil {
		return 0, err
	}
	if err := notNegative("float-off level", offM); err != nil {
		return 0, err
	}
	if err := positive("float-on level", onM); err != nil {
		return 0, err
	}
	if onM <= offM {
		return 0, fmt.Errorf("float-on level %g m is not above float-off level %g m", onM, offM)
	}
	if b.DepthM > 0 && onM > b.DepthM {
		return 0, fmt.Errorf("float-on level %g m is above the rim of the basin at %g m", onM, b.DepthM)
	}
	v := b.GrossL(offM, onM) - b.DisplacementL
	if v <= 0 {
		return 0, fmt.Errorf("the pump displaces %g L, all of the %g L between the floats", b.DisplacementL, v+b.DisplacementL)
	}
	return v, nil
}
