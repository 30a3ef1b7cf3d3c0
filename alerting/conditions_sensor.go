package alerting

import (
	"math"

	"underkeep/store/site"
)

// suspicion is one reason to doubt a sensor; a point can have several.
type suspicion uint8

const (
	suspectFlatRH suspicion = 1 << iota
	suspectFlatTemp
	suspectStuck
	suspectJump
	suspectVapour
	suspectGauge
)

// suspicionCauses names the reasons, in the order in which they are told.
var suspicionCauses = []struct {
	bit   suspicion
	cause string
}{
	{suspectStuck, "sensor-stuck"},
	{suspectFlatRH, "sensor-flat"},
	{suspectFlatTemp, "sensor-flat"},
	{suspectJump, "sensor-jump"},
	{suspectVapour, "sensor-disagrees"},
	{suspectGauge, "gauge-blocked"},
}

// pointState is what is known of one point as an instrument.
type pointState struct {
	Point   string
	Battery limit
	Suspect limit
	Reasons suspicion
	RH      trackState
	Temp    trackState
	Jumps   []jump // not yet judged
}

// trackState follows one air quantity for flatness, jumps and movement.
type trackState struct {
	FlatValue float64
	FlatSince int64    // 0 before the first reading
	Recent    []sample // of the last minutes
	// Least and Most of each of the last hours, for neighbours to compare with.
	Least, Most []float32
	HourLeast   float64
	HourMost    float64
}

// sample is a reading on its own.
type sample struct {
	At    int64
	Value float64
}

// jump is a sudden change, judged when the neighbours have had time to show it.
type jump struct {
	At       int64
	By       float64
	Quantity site.Quantity
}

func newPointState(pr *program, point string) pointState {
	p := pointState{Point: point}
	p.Battery = newLimit(site.BatteryLow, point, pr.rules[site.BatteryLow])
	p.Suspect = newLimit(site.SensorSuspect, point, pr.rules[site.SensorSuspect])
	p.RH.open()
	p.Temp.open()
	return p
}

func (t *trackState) open() { t.HourLeast, t.HourMost = math.Inf(1), math.Inf(-1) }

// take notes a reading before it enters its signal.
func (p *pointState) take(e *engine, rule *seriesRule, r *Reading) {
	if rule.feeds != feedsAir {
		return
	}
	q, tr, limit := site.RH, &p.RH, e.pr.jumpRH
	if e.pr.airs[rule.target].temp == int(r.Series) {
		q, tr, limit = site.AirTemp, &p.Temp, e.pr.jumpTemp
	}
	if tr.FlatSince == 0 || r.Value != tr.FlatValue {
		tr.FlatValue, tr.FlatSince = r.Value, r.At
	}
	tr.HourLeast, tr.HourMost = min(tr.HourLeast, r.Value), max(tr.HourMost, r.Value)
	if by := tr.change(r, e.pr.jumpWithin); math.Abs(by) > limit {
		p.Jumps = append(p.Jumps, jump{r.At, by, q})
	}
}

// change is the largest step from a reading of the last minutes to this one.
func (t *trackState) change(r *Reading, within int64) float64 {
	t.Recent = forgetWhile(t.Recent, func(s sample) bool { return s.At < r.At-within })
	by := 0.0
	for _, p := range t.Recent {
		if d := r.Value - p.Value; math.Abs(d) > math.Abs(by) {
			by = d
		}
	}
	t.Recent = append(t.Recent, sample{r.At, r.Value})
	return by
}

// hourPoints looks at every instrument once an hour.
func (e *engine) hourPoints(t int64) {
	v := e.pr.site.Limits.Value
	keep := int(v(site.SensorSuspect, "flat") / 3600)
	for i := range e.st.Points {
		p := &e.st.Points[i]
		p.RH.closeHour(keep)
		p.Temp.closeHour(keep)
	}
	for i := range e.pr.airs {
		e.judgeFlat(i, t, site.RH, suspectFlatRH)
		e.judgeFlat(i, t, site.AirTemp, suspectFlatTemp)
	}
	e.judgeGauge(t)
	for i := range e.st.Points {
		e.judgeJumps(i, t)
		e.updateSuspect(i, t)
	}
}

func (t *trackState) closeHour(keep int) {
	t.Least = pushHour(t.Least, t.HourLeast, true, keep)
	t.Most = pushHour(t.Most, t.HourMost, true, keep)
	t.open()
}

// moved is the range of the kept hours.
func (t *trackState) moved() float64 {
	lo, hi := math.Inf(1), math.Inf(-1)
	for i := range t.Least {
		lo, hi = min(lo, float64(t.Least[i])), max(hi, float64(t.Most[i]))
	}
	if hi < lo {
		return 0
	}
	return hi - lo
}

func (e *engine) trackOf(air int, q site.Quantity) (*trackState, int) {
	rule := &e.pr.airs[air]
	series := rule.rh
	if q == site.AirTemp {
		series = rule.temp
	}
	if series < 0 {
		return nil, -1
	}
	p := &e.st.Points[e.pr.series[series].point]
	if q == site.AirTemp {
		return &p.Temp, series
	}
	return &p.RH, series
}

// judgeFlat: the same value for days, while others moved.
func (e *engine) judgeFlat(i int, t int64, q site.Quantity, bit suspicion) {
	v := e.pr.site.Limits.Value
	tr, series := e.trackOf(i, q)
	if tr == nil || tr.FlatSince == 0 || !e.st.Signals[series].Covered {
		return
	}
	moved := v(site.SensorSuspect, "moved_rh")
	if q == site.AirTemp {
		moved = v(site.SensorSuspect, "moved_temp")
	}
	long, alone := µsOf(v(site.SensorSuspect, "flat")), true
	within := tr.FlatSince+long <= t // else the others need not be looked at
	someoneMoved := false
	for k := range e.pr.airs {
		other, s := e.trackOf(k, q)
		if k == i || other == nil || other.FlatSince == 0 || !e.st.Signals[s].Covered {
			continue
		}
		alone = false
		if someoneMoved = someoneMoved || within && other.moved() > moved; someoneMoved || !within {
			break
		}
	}
	if alone {
		long = µsOf(v(site.SensorSuspect, "flat_alone"))
	}
	point, met := e.pr.series[series].point, tr.FlatSince+long
	was := e.st.Points[point].Reasons
	e.setSuspicion(point, bit, (someoneMoved || alone) && met <= t)
	if was == 0 && e.st.Points[point].Reasons != 0 && met > t-µsHour {
		e.updateSuspect(point, met) // within the hour that is looked at now
	}
}

// judgeStuck: humidity at an end of its scale.
func (e *engine) judgeStuck(i int, a *airState, t int64, rh float64, known bool) {
	if e.pr.airs[i].rh < 0 {
		return // a point of temperature alone
	}
	w := e.pr.stuckFor
	at := a.Stuck.step(t, sided(known, rh <= e.pr.stuckLow || rh >= e.pr.stuckHigh), w, 0, true)
	point := e.pr.series[e.pr.airs[i].rh].point
	if at != never {
		e.setSuspicion(point, suspectStuck, true)
		e.updateSuspect(point, at)
	} else if a.Stuck.current() != beyond && e.st.Points[point].Reasons&suspectStuck != 0 {
		e.setSuspicion(point, suspectStuck, false)
		e.updateSuspect(point, t)
	}
}

// judgeVapour holds each indoor point against the median of the others.
func (e *engine) judgeVapour(t int64) {
	for i := range e.pr.airs {
		a := &e.st.Airs[i]
		if e.pr.airs[i].outdoors || e.pr.airs[i].rh < 0 {
			continue
		}
		others, n := e.othersVapour(i)
		known := a.Covered && n >= 2
		e.stepVapour(i, a, t, sided(known, math.Abs(a.VapourPa-others) > e.pr.vapourOff*others))
	}
}

// othersVapour is the median vapour pressure of the other indoor points that are
// known, Pa, and how many they are.
func (e *engine) othersVapour(i int) (pa float64, n int) {
	e.scratch = e.scratch[:0]
	for k := range e.pr.airs {
		if k != i && !e.pr.airs[k].outdoors && e.st.Airs[k].Covered {
			e.scratch = append(e.scratch, e.st.Airs[k].VapourPa)
		}
	}
	pa, _ = median(e.scratch)
	return pa, len(e.scratch)
}

func (e *engine) stepVapour(i int, a *airState, t int64, c class) {
	at := a.Off.step(t, c, e.pr.vapourFor, 0, true)
	point := e.pr.series[e.pr.airs[i].rh].point
	if at != never {
		e.setSuspicion(point, suspectVapour, true)
		e.updateSuspect(point, at)
	} else if c == within && e.st.Points[point].Reasons&suspectVapour != 0 {
		e.setSuspicion(point, suspectVapour, false)
		e.updateSuspect(point, t)
	}
}

// judgeJumps decides on jumps once the neighbours' minutes around them are in.
func (e *engine) judgeJumps(i int, t int64) {
	p := &e.st.Points[i]
	for len(p.Jumps) > 0 && p.Jumps[0].At+e.pr.jumpWithin <= t {
		j := p.Jumps[0]
		p.Jumps = p.Jumps[1:]
		if !e.neighbourSaw(i, j) {
			e.setSuspicion(i, suspectJump, true)
			e.updateSuspect(i, j.At)
			e.setSuspicion(i, suspectJump, false) // one instant; the day that clears it begins there
			e.updateSuspect(i, j.At)
		}
	}
}

// neighbourSaw: another point moved by a third as much, either way, about the
// hour of the jump.
func (e *engine) neighbourSaw(point int, j jump) bool {
	for k := range e.pr.airs {
		tr, series := e.trackOf(k, j.Quantity)
		if tr == nil || e.pr.series[series].point == point || len(tr.Least) == 0 {
			continue
		}
		n := len(tr.Least)
		least, most := float64(tr.Least[n-1]), float64(tr.Most[n-1])
		if n > 1 {
			least, most = min(least, float64(tr.Least[n-2])), max(most, float64(tr.Most[n-2]))
		}
		if most-least >= math.Abs(j.By)/3 {
			return true
		}
	}
	return false
}

// judgeGauge: nothing in the gauge while the station had a good rain.
func (e *engine) judgeGauge(t int64) {
	if e.pr.rain < 0 || e.pr.station < 0 || e.pr.series[e.pr.rain].point < 0 {
		return
	}
	v := e.pr.site.Limits.Value
	w := µsOf(v(site.SensorSuspect, "gauge_within"))
	bad := e.rainHeard() && rainWithin(e.st.Rain.Events, t, w) == 0 &&
		rainWithin(e.st.Rain.Station, t, w) >= v(site.SensorSuspect, "gauge_missed")
	point := e.pr.series[e.pr.rain].point
	if bad != (e.st.Points[point].Reasons&suspectGauge != 0) {
		e.setSuspicion(point, suspectGauge, bad)
		e.updateSuspect(point, t)
	}
}

func (e *engine) setSuspicion(point int, bit suspicion, bad bool) {
	if bad {
		e.st.Points[point].Reasons |= bit
	} else {
		e.st.Points[point].Reasons &^= bit
	}
}

func (e *engine) updateSuspect(point int, t int64) {
	p := &e.st.Points[point]
	if t < p.Suspect.Clear.Pos && p.Reasons == 0 {
		return
	}
	bad := p.Reasons != 0
	if bad && t >= p.Suspect.Clear.Pos {
		p.Suspect.Clear.restart(t, within) // a day plausible is a whole day
	}
	p.Suspect.step(e, e.pr.rules[site.SensorSuspect], t, sided(e.pointHeard(point), !bad), classOf(bad))
}

// pointHeard says whether any series of the point is known now.
func (e *engine) pointHeard(point int) bool {
	for _, s := range e.pr.points[point].series {
		if e.st.Signals[s].Covered {
			return true
		}
	}
	return false
}

// sensorLimits are the limits of the hot path, looked up once.
type sensorLimits struct {
	jumpRH, jumpTemp, stuckLow, stuckHigh, vapourOff float64
	jumpWithin, stuckFor, vapourFor                  int64
}

func (pr *program) compileSensor() {
	v := pr.site.Limits.Value
	pr.sensorLimits = sensorLimits{
		jumpRH: v(site.SensorSuspect, "jump_rh"), jumpTemp: v(site.SensorSuspect, "jump_temp"),
		stuckLow: v(site.SensorSuspect, "stuck_low"), stuckHigh: v(site.SensorSuspect, "stuck_high"),
		vapourOff: v(site.SensorSuspect, "vapour"), jumpWithin: µsOf(v(site.SensorSuspect, "jump_within")),
		stuckFor: µsOf(v(site.SensorSuspect, "stuck")), vapourFor: µsOf(v(site.SensorSuspect, "vapour_sustained")),
	}
}
