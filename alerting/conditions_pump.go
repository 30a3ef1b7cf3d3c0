package alerting

import (
	"reflect"
	"slices"

	"underkeep/store/site"
)

// cycle is one finished run of a pump.
type cycle struct {
	Start, End int64
	Short      bool
	Like       bool // after a rest long enough to compare its run with others
}

// pumpState is the primary pump: its cycles and what they say.
type pumpState struct {
	Cycles  cycles // of the last cycleMemory
	OnSince int64  // running now since then; 0 when not
	LastEnd int64  // of any cycle ever seen
	Seen    cycle  // the last run that only pump-on told of, while no pump-run overrides it

	ShortActive Priority
	Quiet       sustained // no short cycle while the gateway speaks

	RunOnActive bool

	Baseline   []float64 // runs of the first like cycles, s
	LikeRuns   []float64 // the last like cycles, s
	WeakStreak int
	FineStreak int
	WeakActive bool

	ExcessActive bool
	NormDaysL    []float64 // volumes of the last dry days
	Heard        mean1     // share of the day in which the pump's gateway spoke

	SilentActive bool

	TestedAt  int64   // last recorded test that is in the state
	DrawDownS float64 // by the last bucket test, 0 without one
}

// backupState is the backup pump.
type backupState struct {
	Active     bool
	PrimaryRan int64     // when the primary ran since the last backup cycle; 0 if not
	Quiet      sustained // no backup cycle while the gateway speaks
}

const (
	cycleMemory = 49 * µsHour
	likeKept    = 20
)

func (p *pumpState) init() {
	p.Quiet.Runs, p.Quiet.Pos = nil, notYet
}

// pumpSpeaks says whether the pump's gateway is heard at the present instant.
func (e *engine) pumpSpeaks(p pumpSeries) bool {
	for _, i := range []int{p.run, p.on} {
		if i >= 0 && e.speaks(i) {
			return true
		}
	}
	return false
}

// speaks says whether the gateway of a series is heard; a series that has never
// reported belongs to its named gateway, or to any that speaks.
func (e *engine) speaks(series int) bool {
	rule, s := &e.pr.series[series], &e.st.Signals[series]
	if s.At != 0 && int(s.Gateway) < len(e.st.Gateways) {
		return e.st.Gateways[s.Gateway].Speaking
	}
	if rule.gateway == unheardGateway {
		return false
	}
	if rule.gateway >= 0 {
		return e.st.Gateways[rule.gateway].Speaking
	}
	return slices.ContainsFunc(e.st.Gateways, func(g speech) bool { return g.Speaking })
}

// pumpRan takes a finished cycle.
func (e *engine) pumpRan(rule *seriesRule, r *Reading) {
	end := r.At + µsOf(r.Value)
	if rule.target == 1 {
		e.backupRan(r.At, end)
		return
	}
	p := &e.st.Pump
	if p.OnSince != 0 && r.At >= p.OnSince-10*µsSecond {
		p.OnSince = 0 // the finished run is authoritative
	}
	if r.At >= p.Seen.Start-10*µsSecond && r.At <= p.Seen.End {
		p.Seen = cycle{}
	}
	v := e.pr.site.Limits.Value
	c := cycle{Start: r.At, End: end}
	rest := r.At - p.LastEnd
	first := p.LastEnd == 0
	if first { // none was told since the gateway began to speak
		rest = r.At - e.spokeSince(r)
	}
	c.Short = e.drawDown() > 0 && r.Value < v(site.PumpShortCycling, "run_share")*e.drawDown() ||
		!first && rest < µsOf(v(site.PumpShortCycling, "rest_below"))
	c.Like = rest >= µsOf(v(site.PumpWeak, "rest"))
	p.LastEnd = max(p.LastEnd, end)
	p.Cycles = append(p.Cycles, c)
	p.Cycles = forgetWhile(p.Cycles, func(c cycle) bool { return c.End < end-cycleMemory })
	if b := &e.st.Backup; b.PrimaryRan == 0 {
		b.PrimaryRan = r.At
	}
	e.pumpHeard(r.At)
	e.judgeShort(c)
	e.judgeRun(c)
	e.judgeWeakness(c, r.Value)
	e.judgeExcess(c)
}

// spokeSince is when the gateway of a reading began to speak.
func (e *engine) spokeSince(r *Reading) int64 {
	if int(r.Gateway) >= len(e.st.Gateways) {
		return r.At
	}
	return e.st.Gateways[r.Gateway].Since
}

// pumpHeard ends a silence in the rain: the pump has run, or was tested.
func (e *engine) pumpHeard(at int64) {
	e.responseCycle(at)
	e.endSilence(at)
}

// pumpTested takes a test that the pump passed. A draw-down that was measured
// is what later cycles are held against, so runs of like cycles count anew.
func (e *engine) pumpTested(t PumpTest) {
	p := &e.st.Pump
	p.TestedAt = t.At
	if t.DrawDownS > 0 {
		p.DrawDownS, p.WeakStreak, p.FineStreak = t.DrawDownS, 0, 0
	}
	e.st.Rain.Response.Tested(t.At)
	e.endSilence(t.At)
}

// drawDown is how long this pump takes from float to float, s: commissioned,
// else as built; 0 while unknown.
func (e *engine) drawDown() float64 {
	if tested := e.st.Pump.DrawDownS; tested > 0 {
		return tested
	}
	return e.pr.drawDown
}

// keepCommissioned drops the draw-down of a bucket test when the description
// comes to tell of another pump, basin or line, or of a draw-down of its own.
func (e *engine) keepCommissioned(before *program) {
	if !sameSump(before.site.Sump, e.pr.site.Sump) {
		e.st.Pump.DrawDownS = 0
	}
}

// sameSump compares what a draw-down depends on.
func sameSump(a, b *site.Sump) bool {
	if a == nil || b == nil {
		return a == b
	}
	x, y := *a, *b
	x.WaterHistory, x.HighWaterM, x.BackupPump, x.DesignStorm = y.WaterHistory, y.HighWaterM, y.BackupPump, y.DesignStorm
	return reflect.DeepEqual(x, y)
}

func (e *engine) endSilence(at int64) {
	if p := &e.st.Pump; p.SilentActive {
		p.SilentActive = false
		e.clear(site.PumpSilentInRain, "", at)
	}
}

func (e *engine) pumpSwitched(rule *seriesRule, r *Reading) {
	if rule.target == 1 {
		if r.Value != 0 {
			e.backupRan(r.At, r.At)
		}
		return
	}
	p := &e.st.Pump
	switch {
	case r.Value != 0 && p.OnSince == 0 && r.At >= p.LastEnd: // within a finished run, that is authoritative
		p.OnSince = r.At
		e.endSilence(r.At)
	case r.Value == 0 && p.OnSince != 0:
		e.judgeRunning(r.At, r.At-1)
		start := p.OnSince
		p.OnSince = 0
		if e.pr.primary.run < 0 { // nothing else tells of finished cycles
			e.pumpRan(rule, &Reading{At: start, Value: float64(r.At-start) / 1e6})
		} else {
			p.Seen = cycle{Start: start, End: r.At}
		}
	}
}

// judgeShort counts short cycles and starts.
func (e *engine) judgeShort(c cycle) {
	p, v := &e.st.Pump, e.pr.site.Limits.Value
	if !e.pr.site.Limits.Enabled(site.PumpShortCycling) {
		return
	}
	if c.Short {
		p.Quiet.restart(c.End, beyond)
	}
	within := µsOf(v(site.PumpShortCycling, "within"))
	short := 0
	for i := len(p.Cycles) - 1; i >= 0 && p.Cycles[i].End >= c.End-within; i-- {
		if p.Cycles[i].Short {
			short++
		}
	}
	at := never
	if e.startsBefore(c.Start) > int(v(site.PumpShortCycling, "starts")) {
		at = c.Start
	} else if c.Short && short >= int(v(site.PumpShortCycling, "cycles")) {
		at = c.End
	}
	if at == never {
		return
	}
	priority := Medium
	if e.rainExplains(at) {
		priority = Low
	}
	if p.ShortActive == 0 {
		p.Quiet.restart(max(c.End, at), beyond)
		e.raise(site.PumpShortCycling, "", priority, at)
	} else if priority > p.ShortActive {
		e.escalate(site.PumpShortCycling, "", priority, at)
	}
	p.ShortActive = max(p.ShortActive, priority)
}

// startsBefore counts starts in the trailing window that ends at t, t included.
func (e *engine) startsBefore(t int64) int {
	w := µsOf(e.pr.site.Limits.Value(site.PumpShortCycling, "starts_within"))
	n := 0
	for i := len(e.st.Pump.Cycles) - 1; i >= 0; i-- {
		if s := e.st.Pump.Cycles[i].Start; s > t-w && s <= t {
			n++
		} else if s <= t-w {
			break
		}
	}
	return n
}

// judgeRun: one run too long, or too much running in an hour.
func (e *engine) judgeRun(c cycle) {
	at := never
	if limit := e.runLimit(); c.End-c.Start > limit {
		at = c.Start + limit
	}
	if over := e.dutyOver(c.End); over {
		at = min(at, firstTrue(c.Start-1, c.End, e.dutyOver))
	}
	e.raiseRunOn(at)
}

func (e *engine) runLimit() int64 { return µsOf(e.pr.site.Limits.Value(site.PumpRunOn, "run")) }

// judgeRunning does the same for a run that has not ended by t.
func (e *engine) judgeRunning(t, upTo int64) {
	p := &e.st.Pump
	if p.OnSince == 0 {
		return
	}
	at := never
	if limit := e.runLimit(); upTo-p.OnSince >= limit {
		at = p.OnSince + limit
	}
	if e.dutyOver(t) {
		at = min(at, firstTrue(p.OnSince-1, t, e.dutyOver))
	}
	e.raiseRunOn(at)
}

func (e *engine) raiseRunOn(at int64) {
	p := &e.st.Pump
	if at == never || p.RunOnActive || !e.pr.site.Limits.Enabled(site.PumpRunOn) {
		return
	}
	p.RunOnActive = true
	e.raise(site.PumpRunOn, "", High, at)
}

// ranWithin is how long the pump ran in the trailing window that ends at t.
func (e *engine) ranWithin(t, w int64) int64 {
	p := &e.st.Pump
	sum := int64(0)
	for i := len(p.Cycles) - 1; i >= 0; i-- {
		c := p.Cycles[i]
		if c.End <= t-w {
			break
		}
		sum += max(min(c.End, t)-max(c.Start, t-w), 0)
	}
	if p.OnSince != 0 {
		sum += max(t-max(p.OnSince, t-w), 0)
	}
	return sum + max(min(p.Seen.End, t)-max(p.Seen.Start, t-w), 0)
}

func (e *engine) dutyWindow() int64 {
	return µsOf(e.pr.site.Limits.Value(site.PumpRunOn, "duty_within"))
}

func (e *engine) dutyOver(t int64) bool {
	w := e.dutyWindow()
	return float64(e.ranWithin(t, w)) > e.pr.site.Limits.Value(site.PumpRunOn, "duty")*float64(w)
}

func (e *engine) dutyFine(t int64) bool {
	w := e.dutyWindow()
	return float64(e.ranWithin(t, w)) < e.pr.site.Limits.Value(site.PumpRunOn, "clear_duty")*float64(w)
}

// baseline is what a like cycle of this pump should last, s; 0 while unknown.
func (e *engine) baseline() float64 {
	p := &e.st.Pump
	if !e.pr.commissioned && p.DrawDownS == 0 && len(p.Baseline) >= int(e.pr.site.Limits.Value(site.PumpWeak, "baseline_cycles")) {
		m, _ := median(slices.Clone(p.Baseline))
		return m
	}
	return e.drawDown()
}

// judgeWeakness compares like cycles with the baseline.
func (e *engine) judgeWeakness(c cycle, seconds float64) {
	p, v := &e.st.Pump, e.pr.site.Limits.Value
	if !c.Like || !e.pr.site.Limits.Enabled(site.PumpWeak) {
		return
	}
	if len(p.Baseline) < int(v(site.PumpWeak, "baseline_cycles")) {
		p.Baseline = append(p.Baseline, seconds)
	}
	p.LikeRuns = keepLast(append(p.LikeRuns, seconds), likeKept)
	base := e.baseline()
	if base <= 0 {
		return
	}
	const hair = 1e-9 // 1.2 × 12 s is a hair under 14.4 s in binary
	p.WeakStreak = streak(p.WeakStreak, seconds >= v(site.PumpWeak, "ratio")*base*(1-hair))
	p.FineStreak = streak(p.FineStreak, seconds <= v(site.PumpWeak, "clear_ratio")*base*(1+hair))
	need := int(v(site.PumpWeak, "cycles"))
	switch {
	case !p.WeakActive && p.WeakStreak >= need:
		p.WeakActive = true
		e.raise(site.PumpWeak, "", Low, c.End)
	case p.WeakActive && p.FineStreak >= need:
		p.WeakActive = false
		e.clear(site.PumpWeak, "", c.End)
	}
}

func streak(n int, holds bool) int {
	if !holds {
		return 0
	}
	return n + 1
}

// updatePumps looks at what passes with time: runs that go on, alarms that end.
func (e *engine) updatePumps(t int64) {
	p := &e.st.Pump
	if p.OnSince == 0 && p.ShortActive == 0 && !p.RunOnActive && !p.ExcessActive && !e.st.Backup.Active {
		return
	}
	speaks := e.pumpSpeaks(e.pr.primary)
	if p.OnSince != 0 {
		e.judgeRunning(t, t)
		if !speaks {
			p.OnSince = 0
		}
	}
	e.endShort(t, speaks)
	if ended := max(p.LastEnd, p.Seen.End); p.RunOnActive && speaks && p.OnSince == 0 && t > ended && e.dutyFine(t) {
		p.RunOnActive = false
		e.clear(site.PumpRunOn, "", firstTrue(ended-1, t, e.dutyFine))
	}
	e.endExcess(t, speaks)
	e.endBackup(t)
}

func (e *engine) endShort(t int64, speaks bool) {
	p, v := &e.st.Pump, e.pr.site.Limits.Value
	if p.ShortActive == 0 {
		return
	}
	w := µsOf(v(site.PumpShortCycling, "clear_sustained"))
	if p.Quiet.Pos > t {
		return
	}
	few := func(at int64) bool { return e.startsBefore(at) <= int(v(site.PumpShortCycling, "clear_starts")) }
	from := p.Quiet.Pos
	p.Quiet.step(t, sided(speaks, true), w, 0, false)
	both := func(at int64) bool { return p.Quiet.metAt(at, w) && few(at) }
	if !both(t) {
		return
	}
	p.ShortActive = 0
	e.clear(site.PumpShortCycling, "", firstTrue(from, t, both))
}

// backupRan: a backup pump runs only when the primary did not cope.
func (e *engine) backupRan(start, end int64) {
	b := &e.st.Backup
	if !e.pr.site.Limits.Enabled(site.BackupPumpRan) {
		return
	}
	b.PrimaryRan = 0
	b.Quiet.restart(end, beyond)
	if !b.Active {
		b.Active = true
		e.raise(site.BackupPumpRan, "", High, start)
	}
}

func (e *engine) endBackup(t int64) {
	b := &e.st.Backup
	if !b.Active || b.Quiet.Pos > t {
		return
	}
	w := µsOf(e.pr.site.Limits.Value(site.BackupPumpRan, "clear_sustained"))
	from := b.Quiet.Pos
	b.Quiet.step(t, sided(e.pumpSpeaks(e.pr.backup), true), w, 0, false)
	met := func(at int64) bool { return b.PrimaryRan != 0 && at >= b.PrimaryRan && b.Quiet.metAt(at, w) }
	if met(t) {
		b.Active = false
		e.clear(site.BackupPumpRan, "", firstTrue(from, t, met))
	}
}
