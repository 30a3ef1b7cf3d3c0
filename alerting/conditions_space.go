package alerting

import (
	"math"
	"slices"

	"underkeep/store/site"
)

// spaceState is the space as a whole: the medians of its indoor air points and
// what the dehumidifier does about them.
type spaceState struct {
	RHPct, VapourPa float64
	Known           bool
	Idle, Weak      equipmentState
	Vapour          vapourBins // ten-minute means of vapour pressure, a day and more
	Bin             mean1
	// usualPower is what the dehumidifier draws with its compressor running; Full
	// is beyond while it draws that.
	usualPower
	Full sustained
	On   sustained // drawing more than a fan-less standby
}

// equipmentState judges humidity and power over the same window.
type equipmentState struct {
	Active Priority
	On     sustained // humidity beyond set point
	Clear  sustained
	Power  sustained // power on the side that makes it this condition
}

func newSpaceState() spaceState {
	s := spaceState{}
	s.Vapour.init()
	return s
}

// usualPower learns what a machine draws while it runs, and never from one that
// stands still: a plain mean at first, then one that follows within memory.
type usualPower struct {
	UsualW  float64 // 0 until it was seen running
	Learned float64 // seconds behind UsualW
	Running mean1
}

// learn takes in the running time up to t; memory in seconds.
func (u *usualPower) learn(t int64, memory float64) {
	u.Running.flush(t)
	held := u.Running.Covered
	if held <= 0 {
		return
	}
	u.Learned += held
	u.UsualW += (u.Running.Sum/held - u.UsualW) * held / min(u.Learned, memory)
	u.Running.Sum, u.Running.Covered = 0, 0
}

// vapourBins are the means of the last binCount ticks; NaN where unknown.
type vapourBins struct{ Pa []float32 }

const binCount = 26 * 6

func (b *vapourBins) init() { b.Pa = make([]float32, 0, binCount) }

func (b *vapourBins) push(v float64, ok bool) {
	if !ok {
		v = math.NaN()
	}
	if len(b.Pa) == binCount {
		copy(b.Pa, b.Pa[1:])
		b.Pa = b.Pa[:binCount-1]
	}
	b.Pa = append(b.Pa, float32(v))
}

// mean of n bins that end back bins before the newest; ok when half are known.
func (b *vapourBins) mean(back, n int) (float64, bool) {
	end := len(b.Pa) - back
	if end-n < 0 {
		return 0, false
	}
	sum, known := 0.0, 0
	for _, v := range b.Pa[end-n : end] {
		if v == v {
			sum += float64(v)
			known++
		}
	}
	return sum / float64(max(known, 1)), known*2 >= n
}

func (e *engine) updateSpace(t int64, airChanged bool) {
	s := &e.st.Space
	if airChanged {
		s.RHPct, s.Known = e.medianOf(func(a *airRule, st *airState) (float64, bool) { return e.value(a.rh) })
		p, ok := e.medianOf(func(_ *airRule, st *airState) (float64, bool) { return st.VapourPa, st.Covered })
		s.VapourPa = p
		s.Bin.set(t, p, ok)
	}
	if e.pr.site.Dehumidifier == nil || e.pr.humidity.setPct == 0 {
		return
	}
	e.followPower(t)
	e.judgeIdle(t)
	e.judgeWeak(t)
}

const (
	compressorLeastW = 150.0 // common practice, no source: a fan alone draws less
	powerMemory      = 7 * 24 * 3600.0
	fullShare        = 0.6
)

// followPower learns what the compressor draws, to tell it from the fan alone.
func (e *engine) followPower(t int64) {
	if e.pr.power < 0 {
		return
	}
	s := &e.st.Space
	power, known := e.value(e.pr.power)
	s.learn(t, powerMemory)
	full := power >= max(compressorLeastW, fullShare*s.UsualW)
	s.Running.set(t, power, known && full)
	s.Full.step(t, sided(known, full), 24*µsHour, 0, false)
	s.On.step(t, sided(known, power > e.pr.humidity.weakPower), 24*µsHour, 0, false)
}

// medianOf takes the median over the indoor air points that are known.
func (e *engine) medianOf(value func(*airRule, *airState) (float64, bool)) (float64, bool) {
	e.scratch = e.scratch[:0]
	for i := range e.pr.airs {
		if e.pr.airs[i].outdoors {
			continue
		}
		if v, ok := value(&e.pr.airs[i], &e.st.Airs[i]); ok {
			e.scratch = append(e.scratch, v)
		}
	}
	return median(e.scratch)
}

// median sorts vs; of an even count it is the mean of the middle two.
func median(vs []float64) (float64, bool) {
	n := len(vs)
	if n == 0 {
		return 0, false
	}
	if n > 1 {
		slices.Sort(vs)
	}
	return (vs[(n-1)/2] + vs[n/2]) / 2, true
}

func (e *engine) judgeIdle(t int64) {
	h, s := &e.pr.humidity, &e.st.Space
	power, known := e.value(e.pr.power)
	also := func(at, w int64) bool { return s.Idle.Power.mostly(at, w) }
	if e.pr.power < 0 {
		also = func(_, w int64) bool { return !e.vapourFalling(w, h.idleFall) }
	}
	e.judgeEquipment(&s.Idle, site.DehumidifierIdle, t, also,
		sided(s.Known, s.RHPct > h.setPct+h.idleAbove), sided(s.Known, s.RHPct < h.setPct+h.idleClear),
		sided(known, power < h.idlePower))
}

func (e *engine) judgeWeak(t int64) {
	if e.pr.power < 0 {
		return
	}
	h, s := &e.pr.humidity, &e.st.Space
	power, known := e.value(e.pr.power)
	e.judgeEquipment(&s.Weak, site.DehumidifierWeak, t, func(at, w int64) bool { return s.Weak.Power.mostly(at, w) },
		sided(s.Known, s.RHPct > h.setPct+h.weakAbove), sided(s.Known, s.RHPct < h.setPct+h.weakClear),
		sided(known, power > h.weakPower))
}

// judgeEquipment finds the first instant at which the humidity definition and
// the power share over the same window hold together.
func (e *engine) judgeEquipment(q *equipmentState, c site.Condition, t int64, also func(at, w int64) bool, on, clear, power class) {
	rule := e.pr.rules[c]
	if !rule.enabled {
		return
	}
	w := rule.levels[0].window
	both := func(at int64) bool { return at >= rule.notBefore && q.On.metAt(at, w) && also(at, w) }
	raised := never
	if q.Active == 0 && q.On.current() == beyond && t > q.On.Pos && both(t-1) {
		raised = firstTrue(q.On.Pos, t-1, both)
	}
	q.On.step(t, on, w, 0, false)
	q.Power.step(t, power, w, 0, false)
	cleared := q.Clear.step(t, clear, rule.clearFor, 0, q.Active > 0)
	if q.Active == 0 && raised == never && both(t) {
		raised = t
	}
	switch {
	case raised != never:
		q.Active = rule.levels[0].priority
		e.raise(c, "", q.Active, raised)
	case cleared != never:
		q.Active = 0
		e.clear(c, "", cleared)
	}
}

// firstTrue is the first instant in (from, to] at which f turned true; f(to) is true.
func firstTrue(from, to int64, f func(int64) bool) int64 {
	for to-from > 1 {
		mid := from + (to-from)/2
		if f(mid) {
			to = mid
		} else {
			from = mid
		}
	}
	return to
}

// vapourFalling compares the last hour of a window with its first.
func (e *engine) vapourFalling(w int64, share float64) bool {
	bins := int(w / tickLength)
	last, okLast := e.st.Space.Vapour.mean(0, 6)
	first, okFirst := e.st.Space.Vapour.mean(max(bins-6, 0), 6)
	return !okLast || !okFirst || last < first*(1-share)
}

func (e *engine) tickSpace(t int64) {
	s := &e.st.Space
	p, ok := s.Bin.take(t, tickLength, 0.3)
	s.Vapour.push(p, ok)
}

// fanState learns what the exhaust fan usually draws.
type fanState struct {
	Limit limit
	usualPower
}

// The fan's usual power is the mean of its first day of running, then follows
// with a time constant of a month, and never learns from a stopped fan.
const (
	fanLearnSeconds = 24 * 3600.0
	fanMemory       = 30 * 24 * 3600.0
	fanLeastW       = 1.0
)

func (e *engine) updateFan(t int64) {
	f := &e.st.Fan
	power, known := e.value(e.pr.fan)
	f.learn(t, fanMemory)
	share := e.pr.site.Limits.Value(site.FanStopped, "share")
	running := power >= share*f.UsualW && power >= fanLeastW
	f.Running.set(t, power, known && running)
	judged := known && f.Learned >= fanLearnSeconds && !e.mainsDown()
	f.Limit.step(e, e.pr.rules[site.FanStopped], t, sided(judged, running), sided(judged, !running))
}

// outdoorState compares the vapour pressure of the space with outdoors, hour by hour.
type outdoorState struct {
	Limit   limit
	Last    int64
	Inside  []float32 // hourly means, NaN where unknown
	Outside []float32
	Hour    mean1
	// Fit of the last hour that could be judged, for the diagnosis.
	Correlation, Slope, SwingPa float64
	LagHours                    int
	Judged                      bool
}

// hourOutdoor files the hour and asks whether the space follows outdoors.
func (e *engine) hourOutdoor(t int64) {
	o := &e.st.Outdoor
	out, okOut := e.outdoorVapour()
	in, okIn := e.st.Space.Vapour.mean(0, 6)
	keep := int((e.outdoorWindow() + µsOf(e.pr.site.Limits.Value(site.OutdoorAirEntering, "lag"))) / µsHour)
	o.Inside = pushHour(o.Inside, in, okIn, keep)
	o.Outside = pushHour(o.Outside, out, okOut, keep)
	met, known := e.followsOutdoors()
	o.Limit.step(e, e.pr.rules[site.OutdoorAirEntering], t, sided(known, !met), sided(known, met))
}

func (e *engine) outdoorWindow() int64 {
	return µsOf(e.pr.site.Limits.Value(site.OutdoorAirEntering, "within"))
}

func pushHour(h []float32, v float64, ok bool, keep int) []float32 {
	if !ok {
		v = math.NaN()
	}
	return keepLast(append(h, float32(v)), keep)
}

// outdoorVapour is the mean over the outdoor points that are known, now.
func (e *engine) outdoorVapour() (float64, bool) {
	sum, n := 0.0, 0
	for i := range e.pr.airs {
		if !e.pr.airs[i].outdoors {
			continue
		}
		a := &e.st.Airs[i]
		if p, ok := a.Vapour.take(e.st.Pos, µsHour, 0.3); ok {
			sum += p
			n++
		}
	}
	return sum / float64(max(n, 1)), n > 0
}

// followsOutdoors looks for the lag at which inside follows outside best.
func (e *engine) followsOutdoors() (met, known bool) {
	o, v := &e.st.Outdoor, e.pr.site.Limits.Value
	hours := int(e.outdoorWindow() / µsHour)
	maxLag := int(v(site.OutdoorAirEntering, "lag") / 3600)
	meets := func(f fit) bool {
		return f.slope >= v(site.OutdoorAirEntering, "slope") && f.correlation >= v(site.OutdoorAirEntering, "correlation")
	}
	best := fit{}
	for lag := 0; lag <= maxLag; lag++ {
		f := follow(o.Inside, o.Outside, hours, lag)
		if f.n*10 < hours*8 {
			continue
		}
		if best.n == 0 || meets(f) && !meets(best) || meets(f) == meets(best) && f.correlation > best.correlation {
			best = f
		}
	}
	o.Judged = best.n > 0
	o.Correlation, o.Slope, o.SwingPa, o.LagHours = best.correlation, best.slope, best.swing, best.lag
	if best.n == 0 {
		return false, false
	}
	return best.correlation >= v(site.OutdoorAirEntering, "correlation") &&
		best.slope >= v(site.OutdoorAirEntering, "slope") && best.swing >= v(site.OutdoorAirEntering, "swing"), true
}

type fit struct {
	n, lag                    int
	correlation, slope, swing float64
}

// follow regresses the last hours of inside on outside, lag hours earlier.
func follow(inside, outside []float32, hours, lag int) fit {
	f := fit{lag: lag}
	var sx, sy, sxx, syy, sxy float64
	for k := 0; k < hours; k++ {
		i, j := len(inside)-1-k, len(outside)-1-k-lag
		if i < 0 || j < 0 {
			break
		}
		y, x := float64(inside[i]), float64(outside[j])
		if x != x || y != y {
			continue
		}
		f.n++
		sx, sy, sxx, syy, sxy = sx+x, sy+y, sxx+x*x, syy+y*y, sxy+x*y
	}
	if f.n < 2 {
		return fit{}
	}
	n := float64(f.n)
	vx, vy, cov := sxx-sx*sx/n, syy-sy*sy/n, sxy-sx*sy/n
	if vx <= 0 || vy <= 0 {
		return f
	}
	f.correlation, f.slope, f.swing = cov/math.Sqrt(vx*vy), cov/vx, math.Sqrt(vx/n)
	return f
}
