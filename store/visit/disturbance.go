package visit

import (
	"slices"

	"underkeep/store/site"
)

// Disturbance is what a visit does to the space that would raise alarms.
type Disturbance string

// The disturbances of a visit.
const (
	HatchOpen  Disturbance = "hatch-open"   // outdoor air comes in
	PumpTested Disturbance = "pump-test"    // cycles that no water asked for
	Unplugged  Disturbance = "unplugged"    // power off while hands are inside
	SaltBox    Disturbance = "sensor-moved" // a sensor out of its place or over a salt
)

// Disturbances lists every disturbance.
func Disturbances() []Disturbance { return []Disturbance{HatchOpen, PumpTested, Unplugged, SaltBox} }

// disturbed are the conditions that a disturbance raises by itself. Standing
// water, a leak, frost and the backup pump are never held: they can hurt the
// house or the person in it, whoever caused them.
var disturbed = map[Disturbance][]site.Condition{
	HatchOpen: {site.HumidityHigh, site.HumidityDrift, site.CondensationRisk, site.OutdoorAirEntering,
		site.DehumidifierIdle, site.DehumidifierWeak, site.SensorSuspect},
	PumpTested: {site.PumpShortCycling, site.PumpRunOn, site.PumpWeak, site.WaterUnexplained, site.PumpSilentInRain},
	Unplugged: {site.MainsLost, site.GatewaySilent, site.PointSilent, site.FanStopped,
		site.DehumidifierIdle, site.DehumidifierWeak},
	SaltBox: {site.SensorSuspect, site.HumidityHigh, site.HumidityDrift, site.CondensationRisk, site.MoldRisk, site.PointSilent},
}

// ofPoints are the conditions that stand at a point.
var ofPoints = []site.Condition{site.HumidityHigh, site.HumidityDrift, site.CondensationRisk, site.MoldRisk,
	site.SensorSuspect, site.PointSilent}

// Disturbed are the conditions that a disturbance puts out of service.
func Disturbed(d Disturbance) []site.Condition { return slices.Clone(disturbed[d]) }

// AtPoints says that a condition stands at a point, not for the whole property.
func AtPoints(c site.Condition) bool { return slices.Contains(ofPoints, c) }
