package alerting

import "underkeep/store/site"

// updateMains: any outlet or the whole house known to be dead.
func (e *engine) updateMains(t int64) {
	known, down := false, false
	for _, i := range e.pr.mains {
		if v, ok := e.value(i); ok {
			known = true
			down = down || v == 0
		}
	}
	e.st.Mains.step(e, e.pr.rules[site.MainsLost], t, sided(known, !down), sided(known, down))
	if e.pr.fan >= 0 {
		e.dirty.fan = false
		e.updateFan(t)
	}
}

func (e *engine) mainsDown() bool {
	for _, i := range e.pr.mains {
		if v, ok := e.value(i); ok && v == 0 && e.circuitOf(i) == "" {
			return true
		}
	}
	return false
}

func (e *engine) circuitOf(series int) string {
	return e.pr.site.Points[e.pr.series[series].point].Circuit
}

// deadCircuits lists what is without power: "" for the house.
func (e *engine) deadCircuits() []string {
	var out []string
	for _, i := range e.pr.mains {
		if s := &e.st.Signals[i]; s.At != 0 && s.Value == 0 {
			out = append(out, e.circuitOf(i))
		}
	}
	return out
}

// mainsExplains: a dead outlet explains only what hangs on it. Where power is
// back by the time a consequence is found, any outlet will do.
func (e *engine) mainsExplains(consequence site.Condition) bool {
	dead := e.deadCircuits()
	if len(dead) == 0 {
		return true
	}
	for _, c := range dead {
		switch {
		case c == "",
			c == "pump" && consequence == site.PumpSilentInRain,
			c == "dehumidifier" && (consequence == site.DehumidifierIdle || consequence == site.DehumidifierWeak):
			return true
		}
	}
	return false
}

// updateWater: the float, or the level above the high-water mark.
func (e *engine) updateWater(t int64) {
	known, wet := false, false
	for _, i := range e.pr.floats {
		if v, ok := e.value(i); ok {
			known = true
			wet = wet || v != 0
		}
	}
	levelKnown, high := false, false
	for _, i := range e.pr.levels {
		if v, ok := e.value(i); ok && e.pr.highWaterMM > 0 {
			levelKnown = true
			high = high || v > e.pr.highWaterMM
		}
	}
	e.st.Water.step(e, e.pr.rules[site.HighWaterAlarm], t, sided(known || levelKnown, !wet && !high),
		sided(known, wet), sided(levelKnown, high))
}

func (e *engine) updateLeaks(t int64) {
	for i, series := range e.pr.leaks {
		v, known := e.value(series)
		e.st.Leaks[i].step(e, e.pr.rules[site.LeakAlarm], t, sided(known, v == 0), sided(known, v != 0))
	}
}

func (e *engine) updateBattery(series int) {
	v, known := e.value(series)
	low := e.pr.site.Limits.Value(site.BatteryLow, "below")
	clear := e.pr.site.Limits.Value(site.BatteryLow, "clear")
	p := &e.st.Points[e.pr.series[series].point]
	p.Battery.step(e, e.pr.rules[site.BatteryLow], e.st.Pos, sided(known, v > clear), sided(known, v < low))
}
