package visit

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
	unit      string
	low, high float64
}

// handRanges: the limits of the wire contract where there are any; else what
// instruments of the trade show (common practice, no source).
var handRanges = []handRange{
	{HandRH, "%RH", 0, 100},
	{HandAirTemp, "C", -40, 60},
	{HandSurfaceTemp, "C", -40, 85},
	{HandWoodMoisture, "%", 0, 100},
	{HandWaterLevel, "mm", 0, 3000},
	{HandPumpCurrent, "A", 0, 100},
	{HandPower, "W", 0, 5000},
	{HandFlow, "L/s", 0, 1000},
	{HandPressure, "Pa", -500, 500},
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
