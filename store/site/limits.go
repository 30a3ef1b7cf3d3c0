package site

import "underkeep/store/site/units"

// Condition is the name of an alarm condition.
type Condition string

// The conditions of the contract.
const (
	HumidityHigh       Condition = "humidity-high"
	HumidityDrift      Condition = "humidity-drift"
	CondensationRisk   Condition = "condensation-risk"
	MoldRisk           Condition = "mold-risk"
	WoodWet            Condition = "wood-wet"
	PumpShortCycling   Condition = "pump-short-cycling"
	PumpSilentInRain   Condition = "pump-silent-in-rain"
	PumpRunOn          Condition = "pump-run-on"
	PumpWeak           Condition = "pump-weak"
	WaterUnexplained   Condition = "water-unexplained"
	HighWaterAlarm     Condition = "high-water"
	LeakAlarm          Condition = "leak"
	DehumidifierIdle   Condition = "dehumidifier-idle"
	DehumidifierWeak   Condition = "dehumidifier-weak"
	FanStopped         Condition = "fan-stopped"
	BackupPumpRan      Condition = "backup-pump-ran"
	OutdoorAirEntering Condition = "outdoor-air-entering"
	FreezeRisk         Condition = "freeze-risk"
	MainsLost          Condition = "mains-lost"
	GatewaySilent      Condition = "gateway-silent"
	PointSilent        Condition = "point-silent"
	SensorSuspect      Condition = "sensor-suspect"
	BatteryLow         Condition = "battery-low"
)

// LimitSpec describes one overridable number of one condition. Default is in
// the dimension's inside unit (durations in seconds).
type LimitSpec struct {
	Condition Condition
	Param     string
	Dimension units.Dimension
	Default   float64
	Means     string
}

const (
	minute = 60.0
	hour   = 3600.0
	day    = 24 * hour
)

// limitSpecs is the one table of default limits; files, pages, the API and the
// evaluator all read it. Defaults are common practice, no source, unless the
// formula's package names one.
var limitSpecs = []LimitSpec{
	{HumidityHigh, "above", units.RelHumidity, 60, "raised above"},
	{HumidityHigh, "sustained", units.Duration, 6 * hour, "raised after"},
	{HumidityHigh, "clear", units.RelHumidity, 57, "clears below"},
	{HumidityHigh, "clear_sustained", units.Duration, 3 * hour, "clears after"},
	{HumidityHigh, "high_above", units.RelHumidity, 70, "high priority above"},
	{HumidityHigh, "high_sustained", units.Duration, 24 * hour, "high priority after"},

	{HumidityDrift, "above", units.RelHumidity, 55, "raised above"},
	{HumidityDrift, "below", units.RelHumidity, 30, "raised below"},
	{HumidityDrift, "sustained", units.Duration, 7 * day, "raised after"},
	{HumidityDrift, "clear", units.RelHumidity, 55, "clears at or below"},
	{HumidityDrift, "clear_low", units.RelHumidity, 30, "clears at or above"},
	{HumidityDrift, "clear_sustained", units.Duration, 24 * hour, "clears after"},

	{CondensationRisk, "below", units.TemperatureDiff, 2, "raised when the surface is less than this above the dew point"},
	{CondensationRisk, "sustained", units.Duration, 1 * hour, "raised after"},
	{CondensationRisk, "clear", units.TemperatureDiff, 3, "clears above"},
	{CondensationRisk, "clear_sustained", units.Duration, 1 * hour, "clears after"},
	{CondensationRisk, "high_below", units.TemperatureDiff, 0, "high priority at or below"},
	{CondensationRisk, "high_sustained", units.Duration, 30 * minute, "high priority after"},

	{MoldRisk, "low", units.Ratio, 1, "low priority from mold index"},
	{MoldRisk, "medium", units.Ratio, 2, "medium priority from mold index"},
	{MoldRisk, "high", units.Ratio, 3, "high priority from mold index"},
	{MoldRisk, "clear_share", units.Ratio, 0.7, "clears below this share of the level"},

	{WoodWet, "low", units.WoodMoisture, 16, "low priority above"},
	{WoodWet, "medium", units.WoodMoisture, 19, "medium priority above"},
	{WoodWet, "high", units.WoodMoisture, 25, "high priority above"},
	{WoodWet, "sustained", units.Duration, 24 * hour, "raised after"},
	{WoodWet, "deadband", units.WoodMoisture, 1, "clears this far below the level"},
	{WoodWet, "clear_sustained", units.Duration, 24 * hour, "clears after"},
	{WoodWet, "lag", units.Duration, 10 * day, "time constant of wood that is not measured"},

	{PumpShortCycling, "cycles", units.Count, 5, "raised at this many short cycles"},
	{PumpShortCycling, "within", units.Duration, 30 * minute, "within"},
	{PumpShortCycling, "run_share", units.Ratio, 0.6, "a run below this share of the draw-down time is short"},
	{PumpShortCycling, "rest_below", units.Duration, 30, "a rest below this makes the cycle short"},
	{PumpShortCycling, "starts", units.Count, 60, "or raised above this many starts"},
	{PumpShortCycling, "starts_within", units.Duration, 60 * minute, "within"},
	{PumpShortCycling, "clear_sustained", units.Duration, 60 * minute, "clears after this long without a short cycle"},
	{PumpShortCycling, "clear_starts", units.Count, 30, "and at most this many starts in it"},

	{PumpSilentInRain, "probability", units.Ratio, 0.01, "raised when a working pump would be this unlikely to stay silent"},

	{PumpRunOn, "run", units.Duration, 10 * minute, "raised after one run of"},
	{PumpRunOn, "duty", units.Ratio, 0.5, "or when the pump ran more than this share"},
	{PumpRunOn, "duty_within", units.Duration, 60 * minute, "of"},
	{PumpRunOn, "clear_duty", units.Ratio, 0.2, "clears below this share"},

	{PumpWeak, "cycles", units.Count, 5, "like cycles in a row"},
	{PumpWeak, "ratio", units.Ratio, 1.5, "each at least this multiple of the baseline"},
	{PumpWeak, "rest", units.Duration, 10 * minute, "a like cycle rests at least this long before"},
	{PumpWeak, "clear_ratio", units.Ratio, 1.2, "clears within this multiple"},
	{PumpWeak, "baseline_cycles", units.Count, 20, "baseline from the first like cycles, when not commissioned"},

	{WaterUnexplained, "ratio", units.Ratio, 3, "raised above this multiple of the dry-weather norm"},
	{WaterUnexplained, "receding", units.Ratio, 0.9, "not receding: at least this share of the day before"},
	{WaterUnexplained, "rain", units.Depth, 1, "with less rain than this"},
	{WaterUnexplained, "rain_within", units.Duration, 72 * hour, "in"},
	{WaterUnexplained, "norm_floor", units.Volume, 40, "the norm is never under this volume a day"},
	{WaterUnexplained, "norm_days", units.Count, 30, "dry days behind the norm"},
	{WaterUnexplained, "norm_least", units.Count, 7, "dry days needed at least"},
	{WaterUnexplained, "clear_ratio", units.Ratio, 1.5, "clears below this multiple"},

	{HighWaterAlarm, "sustained", units.Duration, 60, "raised after"},
	{HighWaterAlarm, "clear_sustained", units.Duration, 10 * minute, "clears after"},
	{LeakAlarm, "sustained", units.Duration, 60, "raised after"},
	{LeakAlarm, "clear_sustained", units.Duration, 10 * minute, "clears after"},

	{DehumidifierIdle, "above", units.RelHumidity, 8, "raised this far above the set point"},
	{DehumidifierIdle, "sustained", units.Duration, 6 * hour, "raised after"},
	{DehumidifierIdle, "power", units.Power, 30, "idle below"},
	{DehumidifierIdle, "fall", units.Ratio, 0.02, "without measured power: vapour pressure falling less than this share"},
	{DehumidifierIdle, "clear", units.RelHumidity, 5, "clears this far above the set point"},
	{DehumidifierIdle, "clear_sustained", units.Duration, 3 * hour, "clears after"},

	{DehumidifierWeak, "above", units.RelHumidity, 8, "raised this far above the set point"},
	{DehumidifierWeak, "sustained", units.Duration, 24 * hour, "raised after"},
	{DehumidifierWeak, "power", units.Power, 30, "running above"},
	{DehumidifierWeak, "clear", units.RelHumidity, 5, "clears this far above the set point"},
	{DehumidifierWeak, "clear_sustained", units.Duration, 3 * hour, "clears after"},

	{FanStopped, "share", units.Ratio, 0.3, "raised below this share of the fan's usual power"},
	{FanStopped, "sustained", units.Duration, 6 * hour, "raised after"},
	{FanStopped, "clear_sustained", units.Duration, 1 * hour, "clears after"},

	{BackupPumpRan, "clear_sustained", units.Duration, 24 * hour, "clears after this long without a backup cycle, once the primary has run"},

	{OutdoorAirEntering, "lag", units.Duration, 3 * hour, "vapour pressure follows outdoors within"},
	{OutdoorAirEntering, "correlation", units.Ratio, 0.8, "with a correlation of at least"},
	{OutdoorAirEntering, "slope", units.Ratio, 0.5, "and a slope of at least"},
	{OutdoorAirEntering, "within", units.Duration, 72 * hour, "over"},
	{OutdoorAirEntering, "swing", units.Pressure, 150, "outdoors swinging with a standard deviation of at least"},
	{OutdoorAirEntering, "clear_sustained", units.Duration, 72 * hour, "clears after"},

	{FreezeRisk, "below", units.Temperature, 4, "raised below"},
	{FreezeRisk, "sustained", units.Duration, 1 * hour, "raised after"},
	{FreezeRisk, "clear", units.Temperature, 6, "clears above"},
	{FreezeRisk, "clear_sustained", units.Duration, 1 * hour, "clears after"},

	{MainsLost, "sustained", units.Duration, 5 * minute, "raised after"},
	{MainsLost, "clear_sustained", units.Duration, 5 * minute, "clears after"},

	{GatewaySilent, "intervals", units.Count, 3, "raised after this many of the shortest interval"},
	{GatewaySilent, "at_least", units.Duration, 30 * minute, "and at least"},
	{GatewaySilent, "offline", units.Duration, 30 * minute, "or after this long offline"},

	{PointSilent, "intervals", units.Count, 6, "raised after this many intervals"},
	{PointSilent, "at_least", units.Duration, 2 * hour, "and at least"},

	{SensorSuspect, "flat", units.Duration, 48 * hour, "flat for this long while a neighbour moved"},
	{SensorSuspect, "flat_alone", units.Duration, 7 * day, "flat for this long with none to compare"},
	{SensorSuspect, "moved_rh", units.RelHumidity, 5, "a neighbour moved more than"},
	{SensorSuspect, "moved_temp", units.TemperatureDiff, 2, "a neighbour moved more than"},
	{SensorSuspect, "stuck_low", units.RelHumidity, 2, "indoors stuck at or below"},
	{SensorSuspect, "stuck_high", units.RelHumidity, 99.5, "indoors stuck at or above"},
	{SensorSuspect, "stuck", units.Duration, 6 * hour, "stuck for"},
	{SensorSuspect, "jump_rh", units.RelHumidity, 30, "a jump above this that no neighbour saw"},
	{SensorSuspect, "jump_temp", units.TemperatureDiff, 10, "a jump above this that no neighbour saw"},
	{SensorSuspect, "jump_within", units.Duration, 10 * minute, "within"},
	{SensorSuspect, "vapour", units.Ratio, 0.15, "vapour pressure this share off the median of the others"},
	{SensorSuspect, "vapour_sustained", units.Duration, 48 * hour, "sustained for"},
	{SensorSuspect, "gauge_missed", units.Depth, 10, "a gauge at 0 while its weather station had at least"},
	{SensorSuspect, "gauge_within", units.Duration, 24 * hour, "in"},
	{SensorSuspect, "refused", units.Count, 10, "impossible values or refused times"},
	{SensorSuspect, "refused_within", units.Duration, 24 * hour, "within"},
	{SensorSuspect, "clear_sustained", units.Duration, 24 * hour, "clears after this long plausible"},

	{BatteryLow, "below", units.Percent, 15, "raised below"},
	{BatteryLow, "sustained", units.Duration, 24 * hour, "raised after"},
	{BatteryLow, "clear", units.Percent, 25, "clears above"},
}

type limitKey struct {
	condition Condition
	param     string
}

var limitIndex = func() map[limitKey]*LimitSpec {
	m := make(map[limitKey]*LimitSpec, len(limitSpecs))
	for i := range limitSpecs {
		m[limitKey{limitSpecs[i].Condition, limitSpecs[i].Param}] = &limitSpecs[i]
	}
	return m
}()

// LimitSpecs lists every overridable number in the order of the contract's table.
func LimitSpecs() []LimitSpec { return append([]LimitSpec(nil), limitSpecs...) }

// Conditions lists every condition in the order of the contract's table.
func Conditions() []Condition {
	var out []Condition
	for _, s := range limitSpecs {
		if len(out) == 0 || out[len(out)-1] != s.Condition {
			out = append(out, s.Condition)
		}
	}
	return out
}

// Limits are a property's overrides of the defaults; the zero value has none.
type Limits struct {
	Off    map[Condition]bool               // conditions switched off
	Values map[Condition]map[string]float64 // in the inside unit of the parameter's dimension
}

// Value is the limit in force; it panics on a parameter that the table lacks,
// which only a programming error can ask for.
func (l Limits) Value(c Condition, param string) float64 {
	if v, ok := l.Values[c][param]; ok {
		return v
	}
	s, ok := limitIndex[limitKey{c, param}]
	if !ok {
		panic("site: no limit " + string(c) + "." + param)
	}
	return s.Default
}

// Enabled says whether the condition is watched at all.
func (l Limits) Enabled(c Condition) bool { return !l.Off[c] }
