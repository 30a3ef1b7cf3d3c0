package alerting

import "underkeep/store/site"

// The causes a diagnosis can name.
const (
	causeDehumidifierStopped = "dehumidifier-stopped"
	causeDehumidifierPower   = "dehumidifier-without-power"
	causeDehumidifierFan     = "dehumidifier-fan-only"
	causeDehumidifierWeak    = "dehumidifier-not-drying"
	causeLoad                = "moisture-load-above-capacity"
	causeSetPoint            = "set-point-too-high"
	causeOutdoorAir          = "outdoor-air-entering"
	causeMoistureSource      = "moisture-source-in-space"
	causeCooling             = "space-cooling"
	causeLocal               = "local-moisture"
	causeColdSpot            = "cold-spot"
	causeTooDry              = "drying-too-far"
	causeColdSurface         = "cold-surface"
	causeColdAir             = "cold-air-entering"
	causeLeak                = "leak-in-space"
	causeStandingWater       = "standing-water"
	causeGroundWater         = "ground-water"
	causePlumbing            = "plumbing-leak"
	causeSpring              = "spring-or-high-water-table"
	causeIrrigation          = "irrigation"
	causeSnowMelt            = "snow-melt"
	causeInflow              = "inflow-high"
	causeOverCapacity        = "inflow-over-capacity"
	causeCheckValve          = "check-valve-leaking-back"
	causeFloatNarrow         = "float-too-narrow"
	causeFloatStuck          = "float-stuck-on"
	causeBlocked             = "discharge-blocked"
	causeImpeller            = "pump-worn"
	causePumpDead            = "pump-not-starting"
	causePumpPower           = "pump-without-power"
	causeMains               = "mains-lost"
	causeFan                 = "fan-failed"
	causeGatewayOffline      = "gateway-offline"
	causeBattery             = "battery-flat"
	causeSensorDead          = "sensor-failed"
	causeSensor              = "sensor-in-doubt"
	causeRefused             = "readings-refused"
	causeClock               = "gateway-clock-wrong"
)

// Advice is what goes with a cause: what it means, what to look at first, what
// to bring, and the caution that belongs to it.
type Advice struct {
	Cause, Means, CheckFirst, Bring, Caution string
}

const (
	cautionWater = "Do not step into standing water while any power is on; have it switched off at the main by someone who can do so dry."
	cautionPower = "Electrical work is for a licensed electrician; a tripped breaker or ground-fault outlet is reset once, not twice."
	cautionSpace = "A crawl space is a confined space: tell someone, take light and gloves, leave if the air smells of gas or sewage."
	cautionMold  = "Visible mold over about 1 m² (10 ft²) and any radon question belong to licensed people."
	cautionNone  = "Before entering the crawl space, tell someone and take a light."
)

// adviceTable has one row per cause; figures in it are common practice, no source.
var adviceTable = []Advice{
	{causeDehumidifierStopped, "The dehumidifier has stopped.", "Its switch, its bucket or float switch, its condensate hose, its display.", "Condensate hose, outlet tester, spare dehumidifier.", cautionPower},
	{causeDehumidifierPower, "The dehumidifier has no power.", "The ground-fault outlet and the breaker of its circuit.", "Outlet tester, spare ground-fault outlet.", cautionPower},
	{causeDehumidifierFan, "The dehumidifier's fan runs, its compressor does not.", "Ice on the coil, a blocked filter, air temperature under the house.", "Filter, thermometer, spare dehumidifier.", cautionPower},
	{causeDehumidifierWeak, "The dehumidifier runs all the time and does not dry the air.", "Filter and coil, water coming out of the hose, then the sealed system.", "Filter, measuring jug, spare dehumidifier.", cautionPower},
	{causeLoad, "More moisture comes in than the dehumidifier can take out.", "Liner seams, closed vents, hatch, standing water.", "Seam tape, foam, moisture meter.", cautionSpace},
	{causeSetPoint, "The dehumidifier works but is set too high.", "Its set point.", "Nothing special.", cautionNone},
	{causeOutdoorAir, "Outdoor air comes in.", "Hatch, vents, duct leaks, liner along the wall.", "Foam, seam tape, hatch seal, smoke pencil.", cautionSpace},
	{causeMoistureSource, "Something adds moisture to the space.", "Wet spots on the liner, the drain, the dryer duct, the plumbing.", "Moisture meter, torch, seam tape.", cautionSpace},
	{causeCooling, "The air has become cooler, not wetter.", "Whether an air-conditioning duct leaks, or the weather has turned.", "Thermometer, foil tape.", cautionNone},
	{causeLocal, "It is damp in one place only.", "Liner, wall and plumbing beside this sensor.", "Moisture meter, seam tape.", cautionSpace},
	{causeColdSpot, "This corner is colder than the rest.", "Insulation of the wall and leaking ducts there.", "Insulation, foil tape.", cautionNone},
	{causeTooDry, "The air is drier than wood likes.", "The dehumidifier's set point.", "Nothing special.", cautionNone},
	{causeColdSurface, "The surface is so cold that moisture settles on it.", "Insulation and vapour barrier of the duct or pipe, supply air temperature.", "Pipe or duct insulation, foil tape.", cautionNone},
	{causeColdAir, "Cold air reaches the space.", "Hatch, vents, wall insulation, pipes at the edge.", "Foam, hatch seal, pipe insulation.", cautionSpace},
	{causeLeak, "Water leaks into the space.", "The wet sensor's place, pipes above it, the water meter with all taps closed.", "Pipe repair kit, wet vacuum, towels.", cautionWater},
	{causeStandingWater, "Water stands in the space.", "From a dry place: is the pump running, is its outlet powered?", "Spare pump, hose, ground-fault tester.", cautionWater},
	{causeGroundWater, "Ground water comes in.", "Drain, sump, gutters and downspouts above.", "Spare pump, hose, seam tape.", cautionWater},
	{causePlumbing, "A pipe leaks.", "The water meter with all taps closed; pipes above the wet place.", "Pipe repair kit, wet vacuum.", cautionWater},
	{causeSpring, "Ground water is high without rain.", "Neighbouring ditches, the water table, the drain's outlet.", "Hose, spare pump.", cautionWater},
	{causeIrrigation, "Water comes and goes like a sprinkler.", "Irrigation times and broken sprinkler heads near the wall.", "Nothing special.", cautionNone},
	{causeSnowMelt, "Snow is melting.", "Downspouts and snow heaps at the wall.", "Shovel, downspout extension.", cautionNone},
	{causeInflow, "Much water comes in at once.", "Downspouts and grading; whether the pump keeps up.", "Spare pump, downspout extension.", cautionWater},
	{causeOverCapacity, "More water comes in than the pump can move.", "From a dry place: is the discharge flowing freely?", "Second pump, hose, generator.", cautionWater},
	{causeCheckValve, "Water runs back from the discharge pipe.", "Pull the plug after a run and watch whether the level rises.", "Check valve, clamps, screwdriver.", cautionWater},
	{causeFloatNarrow, "The float switches over too short a distance.", "Float tether or rod, anything it touches.", "Float switch, cable ties.", cautionWater},
	{causeFloatStuck, "The float is stuck and the pump does not stop.", "Float against the wall or cable of the basin.", "Float switch, spare pump.", cautionWater},
	{causeBlocked, "Water does not leave as it should.", "Outlet of the discharge line, frozen or buried end, check valve, pump intake.", "Drain snake, check valve, spare pump.", cautionWater},
	{causeImpeller, "The pump is worn.", "Draw-down time with a bucket of water; intake screen.", "Spare pump, bucket.", cautionWater},
	{causePumpDead, "The pump does not start although water should be there.", "Plug, ground-fault outlet, breaker; then the float, lifted by hand.", "Spare pump, float switch, outlet tester.", cautionWater},
	{causePumpPower, "The pump has no power.", "Its ground-fault outlet and breaker, from a dry place.", "Outlet tester, spare ground-fault outlet, battery pump.", cautionWater},
	{causeMains, "The house has no power.", "Whether the neighbours have power; the main breaker.", "Generator if a storm is on, never run indoors or under the house.", cautionPower},
	{causeFan, "The exhaust fan does not run.", "Its plug, its switch, something in the blades.", "Spare fan, outlet tester.", cautionPower},
	{causeGatewayOffline, "The gateway cannot be reached.", "Router and power of the gateway; ask the owner or guest first.", "Spare gateway, power supply.", cautionNone},
	{causeBattery, "A sensor battery is running out.", "The battery of the sensor.", "Batteries.", cautionNone},
	{causeSensorDead, "A sensor has stopped reporting.", "Its battery and its place; has it fallen?", "Spare sensor, batteries.", cautionNone},
	{causeSensor, "The sensor may be wrong.", "Compare with a second instrument.", "Second instrument, salt check kit.", cautionNone},
	{"sensor-stuck", "The sensor stands at the end of its scale.", "Whether it is wet; compare with a second instrument.", "Spare sensor.", cautionNone},
	{"sensor-flat", "The sensor repeats one value.", "Compare with a second instrument.", "Spare sensor.", cautionNone},
	{"sensor-jump", "The sensor jumped while nothing else moved.", "Its place and cable.", "Spare sensor.", cautionNone},
	{"sensor-disagrees", "The sensor disagrees with all others.", "Salt check at the measured temperature.", "Salt check kit, spare sensor.", cautionNone},
	{"gauge-blocked", "The rain gauge does not see the rain.", "Leaves or a nest in its funnel.", "Brush.", cautionNone},
	{causeClock, "The gateway's clock is wrong.", "The gateway's date and time; power it off and on once, and see whether it gets its time from the network.", "Spare gateway.", cautionNone},
	{causeRefused, "The sensor sends values or times that cannot be.", "Its clock and its firmware settings.", "Spare sensor.", cautionNone},
}

// ConditionCaution is the caution that belongs to a condition whatever its
// cause, "" for none.
func ConditionCaution(c site.Condition) string {
	switch c {
	case site.MoldRisk, site.WoodWet:
		return cautionMold
	case site.HighWaterAlarm, site.LeakAlarm, site.PumpSilentInRain:
		return cautionWater
	}
	return ""
}

// AdviceFor a cause; ok is false for a cause that the table lacks.
func AdviceFor(cause string) (Advice, bool) {
	for _, a := range adviceTable {
		if a.Cause == cause {
			return a, true
		}
	}
	return Advice{}, false
}

// AdviceTable lists every cause that a diagnosis can name.
func AdviceTable() []Advice { return append([]Advice(nil), adviceTable...) }
