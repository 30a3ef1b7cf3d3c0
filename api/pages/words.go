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

// regionalWords say what several houses have in common: to those who know the
// trade, and to the owner of one of them.
var regionalWords = map[region.Kind]struct{ Title, Plain string }{
	region.MainsLost:     {"No power", "Power seems to be out around your house."},
	region.GatewaySilent: {"Nothing heard", "We hear nothing from several houses around yours: most likely the network or the power there."},
	region.Storm:         {"Storm water", "A storm brings much water to the houses around yours."},
	region.HighWater:     {"Much water", "Several houses around yours take in much water."},
	region.ColdSpell:     {"Near freezing", "It is very cold under several houses around yours."},
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
