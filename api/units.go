package api

import (
	"underkeep/store/site"
	"underkeep/store/site/units"
)

// shown gives the unit and conversion in which a quantity goes out. Without a
// system asked for, and for SI, that is the unit of the wire contract.
func shown(q site.Quantity, system site.UnitSystem) (unit string, convert func(float64) float64) {
	same := func(v float64) float64 { return v }
	spec := q.Spec()
	if spec.Boolean {
		return "", same
	}
	if system != site.US {
		return spec.Units[0], same
	}
	switch spec.Units[0] {
	case "Cel":
		return "F", func(c float64) float64 { return c*9/5 + 32 } // exact by definition
	case "mm":
		return "in", func(mm float64) float64 { return mm / 25.4 } // exact by definition
	default:
		return spec.Units[0], same
	}
}

// insideUnits names the unit in which limits are held; "" for bare numbers.
var insideUnits = map[units.Dimension]string{
	units.Length: "m", units.Area: "m2", units.Volume: "L", units.Flow: "L/s", units.VolumePerDay: "L/day",
	units.Temperature: "C", units.TemperatureDiff: "K", units.RelHumidity: "%RH", units.WoodMoisture: "%",
	units.Power: "W", units.Duration: "s", units.Depth: "mm", units.Pressure: "Pa", units.Percent: "%",
}
