package visit

import (
	"fmt"

	"underkeep/store/site/units"
)

// Quantity is something that is measured by hand at a visit.
type Quantity string

// The quantities measured by hand. Those that gateways report too have the
// same names.
const (
	HandRH           Quantity = "rh"
	HandAirTemp      Quantity = "air-temp"
	HandSurfaceTemp  Quantity = "surface-temp"
	HandWoodMoisture Quantity = "wood-moisture"
	HandWaterLevel   Quantity = "water-level"
	HandPumpCurrent  Quantity = "pump-current"
	HandPower        Quantity = "power"
	HandFlow         Quantity = "flow"
	HandPressure     Quantity = "pressure"
)

// handRange is what a quantity can be, in its stored unit.
type handRange struct {
	quantity  Quantity
	dimension units.Dimension
	unit      string
	low, high float64
}

// handRanges: the limits of the wire contract where there are any; else what
// instruments of the trade show (common practice, no source).
var handRanges = []handRange{
	{HandRH, units.RelHumidity, "%RH", 0, 100},
	{HandAirTemp, units.Temperature, "C", -40, 60},
	{HandSurfaceTemp, units.Temperature, "C", -40, 85},
	{HandWoodMoisture, units.WoodMoisture, "%", 0, 100},
	{HandWaterLevel, units.Depth, "mm", 0, 3000},
	{HandPumpCurrent, units.Current, "A", 0, 100},
	{HandPower, units.Power, "W", 0, 5000},
	{HandFlow, units.Flow, "L/s", 0, 1000},
	{HandPressure, units.Pressure, "Pa", -500, 500},
}

// Quantities lists every quantity.
func Quantities() []Quantity {
	out := make([]Quantity, len(handRanges))
	for i, r := range handRanges {
		out[i] = r.quantity
	}
	return out
}

// Unit in which the quantity is stored; "" for one that is not known.
func (q Quantity) Unit() string { return q.limits().unit }

// Parse reads a value with its unit, such as "52 %RH" or "61 F", into the stored
// unit.
func (q Quantity) Parse(text string) (float64, error) {
	r := q.limits()
	if r.unit == "" {
		return 0, fmt.Errorf("reading of %.40q", q)
	}
	v, err := units.Parse(r.dimension, text)
	if err != nil {
		return 0, fmt.Errorf("%s: %w", q, err)
	}
	return v, nil
}

// Show writes a stored value as a person of a unit system reads it.
func (q Quantity) Show(value float64, sys units.System) string {
	return units.Format(q.limits().dimension, value, sys)
}

// Range of values that the quantity can have, in its stored unit.
func (q Quantity) Range() (low, high float64) { r := q.limits(); return r.low, r.high }

func (q Quantity) limits() handRange {
	for _, r := range handRanges {
		if r.quantity == q {
			return r
		}
	}
	return handRange{}
}
