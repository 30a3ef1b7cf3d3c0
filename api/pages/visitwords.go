package pages

import (
	"fmt"

	field "underkeep/store/visit"
)

// Words of visits and of the service plan.

var kindWords = map[field.Kind]string{
	field.HandOver: "Hand-over", field.Service: "Service", field.Repair: "Repair", field.Inspection: "Inspection",
	field.SensorChecking: "Sensor check", field.PumpTesting: "Pump test",
}

var visitStateWords = map[field.State]string{
	field.Planned: "planned", field.UnderWay: "under way", field.Done: "done", field.Cancelled: "cancelled",
}

var originWords = map[field.Origin]string{
	field.ByHand: "planned by hand", field.ByTerms: "due by the terms", field.UnprovenPump: "the pump is unproven", field.ByAlarm: "asked for by an alarm",
}

var workWords = map[field.Work]string{
	field.WorkFilter: "Filter cleaned or changed", field.WorkDrain: "Drain line and check valve looked at", field.WorkLiner: "Liner, seams and vents looked at",
	field.WorkDehumidifier: "Coils and condensate looked at", field.WorkBattery: "Sensor battery changed", field.WorkSump: "Basin cleaned, floats moved",
}

var disturbWords = map[field.Disturbance]string{
	field.HatchOpen: "The hatch is open", field.PumpTested: "I test the pump", field.Unplugged: "I unplug something", field.SaltBox: "I take sensors from their places",
}

// usualDisturbs are ticked beforehand for a kind of visit.
var usualDisturbs = map[field.Kind][]field.Disturbance{
	field.HandOver: {field.HatchOpen, field.PumpTested, field.SaltBox}, field.Service: {field.HatchOpen, field.Unplugged},
	field.Repair: {field.HatchOpen, field.Unplugged}, field.Inspection: {field.HatchOpen},
	field.SensorChecking: {field.HatchOpen, field.SaltBox}, field.PumpTesting: {field.HatchOpen, field.PumpTested},
}

var taskWords = map[field.Task]string{
	field.TaskFilter: "Filter", field.TaskPumpTest: "Pump test", field.TaskSensorCheck: "Sensor check", field.TaskUnproven: "Pump unproven",
	field.TaskService: "Visit for the warranty",
}

var handWords = map[field.Quantity]string{
	field.HandRH: "Relative humidity", field.HandAirTemp: "Air temperature", field.HandSurfaceTemp: "Surface temperature",
	field.HandWoodMoisture: "Wood moisture", field.HandWaterLevel: "Water level", field.HandPumpCurrent: "Pump current",
	field.HandPower: "Power", field.HandFlow: "Flow", field.HandPressure: "Pressure difference",
}

// Cautions of the field pages, each shown where the hand would reach. Usual
// cautions of the trade; local codes and licensed practice come first.
const (
	cautionSpace = "Do not go in alone: someone outside must know, and hear you. Air can be bad, the way out is one. Go in only as your training and local rules for confined spaces allow."
	cautionWater = "With standing water, stay out until the power below is off at the panel. Touch no plug, cord or outlet with wet hands or on wet ground; pumps belong on ground-fault protection."
	cautionPlug  = "Before you put a hand on the dehumidifier or the pump, switch it off and unplug it. Wiring is for a licensed electrician."
	cautionSalt  = "Keep the slurry off the sensor, off metal and off your skin; some of these salts irritate. Wash your hands before you eat."
	cautionMold  = "Where you find mold, do not disturb it: follow local rules, and keep people with asthma or weak immune systems away."
)

// dueWords says how a day stands to today.
func dueWords(days int) string {
	switch {
	case days < -1:
		return fmt.Sprintf("%d days overdue", -days)
	case days == -1:
		return "due yesterday"
	case days == 0:
		return "due today"
	case days == 1:
		return "due tomorrow"
	}
	return fmt.Sprintf("in %d days", days)
}
