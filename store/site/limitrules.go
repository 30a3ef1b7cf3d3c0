package site

import "underkeep/store/site/units"

// limitRule is what must hold between two numbers of a condition, or between
// one and a constant, for the condition to make sense.
type limitRule struct {
	condition Condition
	low, high string // parameters; low must be below high
	orEqual   bool   // they may be the same
	// follows names the one of the two that keeps its default distance (the
	// deadband) when only the other is overridden past it; "" refuses instead.
	follows string
	reason  string
}

const (
	wouldFlap  = "else the alarm would clear while it is raised"
	outOfOrder = "the levels must rise"
)

var limitRules = []limitRule{
	{HumidityHigh, "clear", "above", false, "clear", wouldFlap},
	{HumidityHigh, "above", "high_above", true, "high_above", outOfOrder},
	{HumidityDrift, "below", "above", false, "", "the range between them is the good one"},
	{HumidityDrift, "clear", "above", true, "clear", wouldFlap},
	{HumidityDrift, "below", "clear_low", true, "clear_low", wouldFlap},
	{HumidityDrift, "clear_low", "clear", false, "", "the range between them is the good one"},
	{CondensationRisk, "below", "clear", false, "clear", wouldFlap},
	{CondensationRisk, "high_below", "below", true, "high_below", outOfOrder},
	{MoldRisk, "low", "medium", false, "", outOfOrder},
	{MoldRisk, "medium", "high", false, "", outOfOrder},
	{WoodWet, "low", "medium", false, "", outOfOrder},
	{WoodWet, "medium", "high", false, "", outOfOrder},
	{WoodWet, "deadband", "low", false, "", "the low level would never clear"},
	{PumpShortCycling, "clear_starts", "starts", true, "", wouldFlap},
	{PumpRunOn, "clear_duty", "duty", false, "", wouldFlap},
	{PumpWeak, "clear_ratio", "ratio", false, "", wouldFlap},
	{WaterUnexplained, "clear_ratio", "ratio", false, "", wouldFlap},
	{WaterUnexplained, "norm_least", "norm_days", true, "", "the norm can have no more days than are looked at"},
	{DehumidifierIdle, "clear", "above", false, "clear", wouldFlap},
	{DehumidifierWeak, "clear", "above", false, "clear", wouldFlap},
	{FreezeRisk, "below", "clear", false, "clear", wouldFlap},
	{SensorSuspect, "stuck_low", "stuck_high", false, "", "every reading would be stuck"},
	{BatteryLow, "below", "clear", false, "clear", wouldFlap},
}

// paramRange narrows what one number may be beyond its dimension's bounds.
type paramRange struct {
	condition Condition
	param     string
	bounds
	reason string
}

const (
	isShare    = "it is a share"
	neverEnds  = "the window would be empty"
	multipleOf = "it is a multiple of the usual"
)

// tiny keeps a share or window above zero without a rule of its own kind.
const tiny = 1e-6

var paramRanges = []paramRange{
	{MoldRisk, "low", bounds{tiny, 6}, "the mold index runs from 0 to 6"},
	{MoldRisk, "medium", bounds{tiny, 6}, "the mold index runs from 0 to 6"},
	{MoldRisk, "high", bounds{tiny, 6}, "the mold index runs from 0 to 6"},
	{MoldRisk, "clear_share", bounds{tiny, 1}, isShare},
	{WoodWet, "lag", bounds{hour, 400 * day}, "wood answers in days"},
	{PumpShortCycling, "within", bounds{minute, 7 * day}, neverEnds},
	{PumpShortCycling, "starts_within", bounds{minute, 7 * day}, neverEnds},
	{PumpShortCycling, "clear_sustained", bounds{minute, 7 * day}, neverEnds},
	{PumpShortCycling, "run_share", bounds{0, 1}, isShare},
	{PumpSilentInRain, "probability", bounds{tiny, 0.5}, "it is the probability of silence at which a working pump is no longer believed"},
	{PumpRunOn, "run", bounds{1, day}, "no run would be short enough, or none long enough"},
	{PumpRunOn, "duty", bounds{tiny, 1}, isShare},
	{PumpRunOn, "duty_within", bounds{minute, 7 * day}, neverEnds},
	{PumpWeak, "ratio", bounds{1, 100}, multipleOf},
	{PumpWeak, "clear_ratio", bounds{1, 100}, multipleOf},
	{WaterUnexplained, "ratio", bounds{1, 1000}, multipleOf},
	{WaterUnexplained, "receding", bounds{tiny, 1}, isShare},
	{WaterUnexplained, "rain_within", bounds{hour, 30 * day}, neverEnds},
	{DehumidifierIdle, "fall", bounds{0, 1}, isShare},
	{FanStopped, "share", bounds{tiny, 1}, isShare},
	{OutdoorAirEntering, "correlation", bounds{tiny, 1}, "it is a correlation"},
	{OutdoorAirEntering, "within", bounds{day, 60 * day}, "outdoor air swings from day to day"},
	{OutdoorAirEntering, "lag", bounds{0, day}, "the air follows within hours or not at all"},
	{SensorSuspect, "vapour", bounds{tiny, 10}, isShare},
	{SensorSuspect, "refused_within", bounds{minute, 30 * day}, neverEnds},
	{SensorSuspect, "gauge_within", bounds{hour, 30 * day}, neverEnds},
	{SensorSuspect, "jump_within", bounds{minute, day}, neverEnds},
	{GatewaySilent, "at_least", bounds{minute, 30 * day}, neverEnds},
	{GatewaySilent, "offline", bounds{minute, 30 * day}, neverEnds},
	{PointSilent, "at_least", bounds{minute, 30 * day}, neverEnds},
}

// checkRules refuses numbers of one condition that contradict one another, and
// moves a limit's clearing along with the limit where the file left it alone:
// a limit clears at the limit minus its deadband.
func checkRules(m *mapping, c Condition, l *Limits) {
	for _, r := range paramRanges {
		v, given := l.Values[c][r.param]
		if r.condition == c && given && (v < r.least || v > r.most) {
			m.problem(r.param, "%s is out of range (%s to %s): %s", l.text(c, r.param, m.sys),
				limitText(c, r.param, r.least, m.sys), limitText(c, r.param, r.most, m.sys), r.reason)
		}
	}
	for _, r := range limitRules {
		if r.condition == c && !r.holds(*l) && !r.follow(l) {
			given := r.high
			if !m.has(given) {
				given = r.low
			}
			m.problem(given, "contradiction: %s (%s) must be below %s (%s): %s",
				r.low, l.text(c, r.low, m.sys), r.high, l.text(c, r.high, m.sys), r.reason)
		}
	}
}

func (r limitRule) holds(l Limits) bool {
	low, high := l.Value(r.condition, r.low), l.Value(r.condition, r.high)
	return low < high || (r.orEqual && low == high)
}

// follow sets the following parameter at its default distance from the one that
// was overridden; false when both were given, or none follows.
func (r limitRule) follow(l *Limits) bool {
	if _, given := l.Values[r.condition][r.follows]; given || r.follows == "" {
		return false
	}
	var defaults Limits
	distance := defaults.Value(r.condition, r.high) - defaults.Value(r.condition, r.low)
	v := l.Value(r.condition, r.low) + distance
	if r.follows == r.low {
		v = l.Value(r.condition, r.high) - distance
	}
	b := limitBounds[limitIndex[limitKey{r.condition, r.follows}].Dimension]
	if v < b.least || v > b.most {
		return false
	}
	l.set(r.condition, r.follows, v)
	return true
}

// text is a limit in force as a person reads it, saying where it is a default.
func (l Limits) text(c Condition, param string, sys units.System) string {
	s := limitText(c, param, l.Value(c, param), sys)
	if _, given := l.Values[c][param]; !given {
		s += ", the default"
	}
	return s
}

func limitText(c Condition, param string, v float64, sys units.System) string {
	return units.Format(limitIndex[limitKey{c, param}].Dimension, v, sys)
}
