package alerting

import (
	"time"

	"underkeep/alerting/air"
	"underkeep/store/site"
)

// airState is one air point: its humidity, its dew point, its wood and mold.
type airState struct {
	Point    string
	Covered  bool // humidity and temperature both known
	VapourPa float64
	DewC     float64

	High, Drift, Freeze limit
	Mold                air.MoldState
	MoldLimit           limit
	Wood                air.WoodLag
	WoodLimit           limit

	Hour   mean2 // conditions at the surface that mold would grow on
	Vapour mean1 // vapour pressure of the present hour
	// Off judges vapour pressure against the other indoor points, Stuck the
	// humidity against the ends of its scale.
	Off, Stuck sustained
}

// surfaceState is one surface, judged against the dew point of its air.
type surfaceState struct{ Limit limit }

// mean1 and mean2 are time-weighted means of what was known.
type mean1 struct {
	Sum, Covered float64 // value·s, s
	Value        float64
	Known        bool
	Since        int64
}

func (m *mean1) set(t int64, v float64, known bool) {
	m.flush(t)
	m.Value, m.Known = v, known
}

func (m *mean1) flush(t int64) {
	if m.Known && t > m.Since {
		dt := float64(t-m.Since) / 1e6
		m.Sum += m.Value * dt
		m.Covered += dt
	}
	m.Since = t
}

// take returns the mean since the last take and whether at least share of
// the period was known.
func (m *mean1) take(t int64, period int64, share float64) (float64, bool) {
	m.flush(t)
	sum, covered := m.Sum, m.Covered
	m.Sum, m.Covered = 0, 0
	if covered <= 0 || covered < share*float64(period)/1e6 {
		return 0, false
	}
	return sum / covered, true
}

type mean2 struct{ A, B mean1 }

func newAirState(pr *program, point string) airState {
	a := airState{Point: point}
	a.High = newLimit(site.HumidityHigh, point, pr.rules[site.HumidityHigh])
	a.Drift = newLimit(site.HumidityDrift, point, pr.rules[site.HumidityDrift])
	a.Freeze = newLimit(site.FreezeRisk, point, pr.rules[site.FreezeRisk])
	a.MoldLimit = newLimit(site.MoldRisk, point, pr.rules[site.MoldRisk])
	a.WoodLimit = newLimit(site.WoodWet, point, pr.rules[site.WoodWet])
	return a
}

func (e *engine) value(series int) (float64, bool) {
	if series < 0 {
		return 0, false
	}
	s := &e.st.Signals[series]
	return s.Value, s.Covered
}

// sided is the class of a known or unknown value.
func sided(known, holds bool) class {
	if !known {
		return uncovered
	}
	return classOf(holds)
}

func (e *engine) updateAirs(t int64) {
	for i := range e.pr.airs {
		if !e.dirtyAirs[i] {
			continue
		}
		e.dirtyAirs[i] = false
		rule, a := &e.pr.airs[i], &e.st.Airs[i]
		rh, rhOK := e.value(rule.rh)
		temp, tempOK := e.value(rule.temp)
		a.Covered = rhOK && tempOK
		if a.Covered {
			a.VapourPa = air.FastVapourPressurePa(temp, rh)
			a.DewC = air.FastDewPointC(temp, max(rh, 0.1))
		}
		if rule.outdoors {
			a.Vapour.set(t, a.VapourPa, a.Covered)
		}
		if !rule.outdoors {
			e.judgeHumidity(a, t, rh, rhOK)
			e.judgeFreeze(a, t, temp, tempOK)
			e.judgeStuck(i, a, t, rh, rhOK)
		}
	}
	e.judgeVapour(t)
}

func (e *engine) judgeHumidity(a *airState, t int64, rh float64, known bool) {
	h := &e.pr.humidity
	a.High.step(e, e.pr.rules[site.HumidityHigh], t, sided(known, rh < h.clear),
		sided(known, rh > h.above), sided(known, rh > h.highAbove))
	a.Drift.step(e, e.pr.rules[site.HumidityDrift], t, sided(known, rh <= h.driftClear && rh >= h.driftClearLow),
		sided(known, rh > h.driftAbove || rh < h.driftBelow))
}

func (e *engine) judgeFreeze(a *airState, t int64, temp float64, known bool) {
	h := &e.pr.humidity
	a.Freeze.step(e, e.pr.rules[site.FreezeRisk], t, sided(known, temp > h.freezeClear), sided(known, temp < h.freezeBelow))
}

// updateSurfaces judges every surface against the dew point of its air.
func (e *engine) updateSurfaces(t int64) {
	h := &e.pr.humidity
	for i := range e.pr.surfaces {
		rule, s := &e.pr.surfaces[i], &e.st.Surfaces[i]
		temp, known := e.value(rule.series)
		known = known && rule.air >= 0 && e.st.Airs[rule.air].Covered
		margin := 0.0 // K above the dew point
		if known {
			margin = temp - e.st.Airs[rule.air].DewC
		}
		s.Limit.step(e, e.pr.rules[site.CondensationRisk], t, sided(known, margin > h.dewClear),
			sided(known, margin < h.dewBelow), sided(known, margin <= h.dewHighBelow))
	}
	for i := range e.pr.airs {
		if !e.pr.airs[i].outdoors {
			e.setMoldConditions(i, t)
		}
	}
}

// setMoldConditions follows the surface on which mold would grow first: the
// coldest paired wood surface where measured, else the air itself.
func (e *engine) setMoldConditions(i int, t int64) {
	a, rule := &e.st.Airs[i], &e.pr.airs[i]
	temp, known := e.value(rule.temp)
	measured := false
	for _, k := range rule.wood {
		if s, ok := e.value(e.pr.surfaces[k].series); ok && (!measured || s < temp) {
			temp, known, measured = s, true, true
		}
	}
	known = known && a.Covered
	rh := 0.0
	switch {
	case known && measured:
		rh = rhAtSurface(a.VapourPa, temp)
	case known: // the air's own
		rh, _ = e.value(rule.rh)
	}
	a.Hour.A.set(t, temp, known)
	a.Hour.B.set(t, rh, known)
}

// tickAirs lets wood that is not measured follow the air.
func (e *engine) tickAirs(t int64) {
	if len(e.pr.woods) > 0 {
		return
	}
	for i := range e.pr.airs {
		a := &e.st.Airs[i]
		if e.pr.airs[i].outdoors || !a.Covered {
			if !e.pr.airs[i].outdoors {
				e.judgeWood(&a.WoodLimit, t, 0, false)
			}
			continue
		}
		rh, _ := e.value(e.pr.airs[i].rh)
		temp, _ := e.value(e.pr.airs[i].temp)
		emc := air.FastEMCPct(temp, min(rh, 99.9))
		if !a.Wood.Started {
			a.Wood, _ = air.NewWoodLag(time.Duration(e.pr.site.Limits.Value(site.WoodWet, "lag") * 1e9))
		}
		e.judgeWood(&a.WoodLimit, t, a.Wood.Step(emc, time.Duration(tickLength)*time.Microsecond), true)
	}
}

func (e *engine) updateWood(i int) {
	v, known := e.value(e.pr.woods[i].series)
	e.judgeWood(&e.st.Woods[i], e.st.Pos, v, known)
}

func (e *engine) judgeWood(l *limit, t int64, moisturePct float64, known bool) {
	h := &e.pr.humidity
	l.step(e, e.pr.rules[site.WoodWet], t, sided(known, moisturePct < h.woodLow-h.woodDeadband),
		sided(known, moisturePct > h.woodLow), sided(known, moisturePct > h.woodMedium), sided(known, moisturePct > h.woodHigh))
}

// hourAirs steps the mold index on the hour that has ended, and files the
// hour's vapour pressure. An hour without any reading leaves the index as it is.
func (e *engine) hourAirs(t int64) {
	v := e.pr.site.Limits.Value
	for i := range e.pr.airs {
		a := &e.st.Airs[i]
		if e.pr.airs[i].outdoors {
			continue
		}
		temp, okT := a.Hour.A.take(t, µsHour, 0)
		rh, okRH := a.Hour.B.take(t, µsHour, 0)
		if okT && okRH {
			a.Mold = e.pr.mold.Step(a.Mold, temp, rh)
		}
		m := a.Mold.Index
		low := v(site.MoldRisk, "low")
		a.MoldLimit.step(e, e.pr.rules[site.MoldRisk], t, classOf(m < low*v(site.MoldRisk, "clear_share")),
			classOf(m >= low), classOf(m >= v(site.MoldRisk, "medium")), classOf(m >= v(site.MoldRisk, "high")))
	}
}

// humidityLimits are the limits of the hot path, looked up once.
type humidityLimits struct {
	above, clear, highAbove                            float64
	driftAbove, driftBelow, driftClear, driftClearLow  float64
	freezeBelow, freezeClear                           float64
	dewBelow, dewClear, dewHighBelow                   float64
	woodLow, woodMedium, woodHigh, woodDeadband        float64
	idleAbove, idleClear, weakAbove, weakClear, setPct float64
	idlePower, weakPower, idleFall                     float64
}

func (pr *program) compileHumidity() {
	v := pr.site.Limits.Value
	pr.humidity = humidityLimits{
		above: v(site.HumidityHigh, "above"), clear: v(site.HumidityHigh, "clear"), highAbove: v(site.HumidityHigh, "high_above"),
		driftAbove: v(site.HumidityDrift, "above"), driftBelow: v(site.HumidityDrift, "below"),
		driftClear: v(site.HumidityDrift, "clear"), driftClearLow: v(site.HumidityDrift, "clear_low"),
		freezeBelow: v(site.FreezeRisk, "below"), freezeClear: v(site.FreezeRisk, "clear"),
		dewBelow: v(site.CondensationRisk, "below"), dewClear: v(site.CondensationRisk, "clear"), dewHighBelow: v(site.CondensationRisk, "high_below"),
		woodLow: v(site.WoodWet, "low"), woodMedium: v(site.WoodWet, "medium"), woodHigh: v(site.WoodWet, "high"), woodDeadband: v(site.WoodWet, "deadband"),
		idleAbove: v(site.DehumidifierIdle, "above"), idleClear: v(site.DehumidifierIdle, "clear"), idlePower: v(site.DehumidifierIdle, "power"), idleFall: v(site.DehumidifierIdle, "fall"),
		weakAbove: v(site.DehumidifierWeak, "above"), weakClear: v(site.DehumidifierWeak, "clear"), weakPower: v(site.DehumidifierWeak, "power"),
	}
	if d := pr.site.Dehumidifier; d != nil {
		pr.humidity.setPct = d.SetpointRHPct
	}
}
