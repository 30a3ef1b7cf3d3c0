package pages

import (
	"strings"

	"underkeep/alerting"
	"underkeep/alerting/region"
	"underkeep/store/site"
)

// Words for one condition: what a manager and an owner read. What lies behind
// it (causes, what to check first, what to bring) has its words in alerting.
type Words struct {
	Title string // for those who know the trade
	Plain string // for the owner, a whole sentence
	Do    string // the one thing the owner does
}

const (
	call    = "Nothing you must do yourself; we plan a visit."
	keepOut = "Keep people out from under the house and call us."
)

var conditionWords = map[site.Condition]Words{
	site.HumidityHigh:       {"Air too humid", "The air under your house has been too humid for hours.", call},
	site.HumidityDrift:      {"Air outside its band for days", "The air under your house has been a little outside its usual band for days.", call},
	site.CondensationRisk:   {"Surface near or below the dew point", "Moisture may be settling on a cold surface under your house.", call},
	site.MoldRisk:           {"Conditions in which mold can grow", "It has been damp long enough under your house for mold to begin to grow.", call},
	site.WoodWet:            {"Wood too wet", "The wood under your house holds more moisture than it should.", call},
	site.PumpShortCycling:   {"Pump starts too often", "The pump under your house switches on and off too often and will wear out.", call},
	site.PumpSilentInRain:   {"Pump silent in rain", "It has rained and the pump under your house has not run as it should have.", keepOut},
	site.PumpRunOn:          {"Pump does not stop", "The pump under your house has been running without a rest.", keepOut},
	site.PumpWeak:           {"Pump getting weaker", "The pump under your house takes longer than it used to.", call},
	site.WaterUnexplained:   {"Much water without rain", "More water than usual comes in under your house although it has not rained.", "Close all taps and see whether the water meter still turns; tell us."},
	site.HighWaterAlarm:     {"Water above its highest level", "Water is standing too high under your house.", keepOut},
	site.LeakAlarm:          {"Leak sensor wet", "A leak sensor under your house is wet.", "If you can do so from a dry place, close the main water valve; then call us."},
	site.DehumidifierIdle:   {"Dehumidifier does nothing", "The dehumidifier under your house is not working.", call},
	site.DehumidifierWeak:   {"Dehumidifier cannot keep up", "The dehumidifier under your house runs all the time and cannot keep up.", call},
	site.FanStopped:         {"Exhaust fan stopped", "The exhaust fan under your house has stopped.", call},
	site.BackupPumpRan:      {"Backup pump had to run", "The backup pump under your house had to help.", call},
	site.OutdoorAirEntering: {"Outdoor air comes in", "Outdoor air seems to be getting in under your house.", "See whether the access door is shut; tell us if it was open."},
	site.FreezeRisk:         {"Near freezing", "It is so cold under your house that pipes could freeze.", "See whether the access door is shut, and let a tap drip until we have called."},
	site.MainsLost:          {"No power", "There is no power under your house.", "See whether the rest of the house has power; tell us."},
	site.GatewaySilent:      {"Nothing heard from the house", "We hear nothing from your house at present, so we cannot tell how it is.", "See whether the internet at the house works."},
	site.PointSilent:        {"A sensor is silent", "One of the sensors under your house is silent.", call},
	site.SensorSuspect:      {"A sensor may be wrong", "One of the sensors under your house may be showing wrong values.", call},
	site.BatteryLow:         {"Sensor battery low", "A sensor under your house needs a new battery.", call},
}

// regionalWords say what several houses have in common: to those who know the
// trade, and to the owner of one of them.
var regionalWords = map[region.Kind]struct{ Title, Plain string }{
	region.MainsLost:     {"No power", "Power seems to be out around your house."},
	region.GatewaySilent: {"Nothing heard", "We hear nothing from several houses around yours: most likely the network or the power there."},
	region.Storm:         {"Storm water", "A storm brings much water to the houses around yours."},
	region.HighWater:     {"Much water", "Several houses around yours take in much water."},
	region.ColdSpell:     {"Near freezing", "It is very cold under several houses around yours."},
}

// wordsFor a condition; one without words is shown by its name.
func wordsFor(c site.Condition) Words {
	if w, ok := conditionWords[c]; ok {
		return w
	}
	name := strings.ReplaceAll(string(c), "-", " ")
	return Words{Title: name, Plain: "Something needs a look under your house: " + name + ".", Do: call}
}

// adviceFor a cause; one without words is shown by its name.
func adviceFor(cause string) alerting.Advice {
	if a, ok := alerting.AdviceFor(cause); ok {
		return a
	}
	return alerting.Advice{Cause: cause, Means: strings.ReplaceAll(cause, "-", " ") + "."}
}

// cautions that belong to an alarm: of its condition and of its likeliest
// cause, each once.
func cautions(c site.Condition, causes []alerting.Cause) []string {
	var out []string
	add := func(text string) {
		if text == "" {
			return
		}
		for _, have := range out {
			if have == text {
				return
			}
		}
		out = append(out, text)
	}
	add(alerting.ConditionCaution(c))
	if len(causes) > 0 {
		add(adviceFor(causes[0].Cause).Caution)
	}
	return out
}

var stateWords = map[string]string{
	"normal":                            "over",
	"unacknowledged":                    "nobody has answered",
	"acknowledged":                      "seen",
	"returned-to-normal-unacknowledged": "over, nobody has answered",
	"shelved":                           "put aside",
	"suppressed-by-design":              "explained by another",
	"out-of-service":                    "out of service",
}

// quantityWords head a row or a chart.
var quantityWords = map[site.Quantity]string{
	site.RH: "Relative humidity", site.AirTemp: "Air temperature", site.SurfaceTemp: "Surface temperature",
	site.WoodMoisture: "Wood moisture", site.PumpRun: "Last pump run", site.PumpOn: "Pump", site.WaterLevel: "Water level",
	site.HighWater: "High-water float", site.Leak: "Leak sensor", site.Rain: "Rain, last record", site.Mains: "Power",
	site.DehumidifierPower: "Dehumidifier power", site.FanPower: "Fan power", site.Battery: "Battery",
}

var booleanWords = map[site.Quantity][2]string{ // no, yes
	site.PumpOn: {"resting", "running"}, site.HighWater: {"dry", "wet"}, site.Leak: {"dry", "wet"}, site.Mains: {"off", "on"},
}
