package alerting

import (
	"math"
	"slices"

	"underkeep/alerting/air"
	"underkeep/store/site"
)

// state is everything the evaluator carries in event time. It is rewound to a
// checkpoint when late data arrives; what is judged by receipt stands apart.
type state struct {
	Version  int   // index into Description.Versions
	Pos      int64 // readings before Pos, and those of Pos that had come, are in
	FiredAt  int64 // last instant at or after which something was decided
	NextTick int64
	Midnight int64 // next local midnight
	Signals  []signal
	Gateways []speech
	Airs     []airState
	Surfaces []surfaceState
	Woods    []limit
	Space    spaceState
	Pump     pumpState
	Backup   backupState
	Water    limit // high-water
	Leaks    []limit
	Mains    limit
	Fan      fanState
	Points   []pointState
	Rain     rainState
	Outdoor  outdoorState
	Open     []episode
	Closed   []closedEpisode
}

// signal is the last reading of one series and how long it stands.
type signal struct {
	Value float64
	At    int64
	Until int64 // a held reading stands until then; never for events and states
	// Covered turns false when nobody knows the value any more.
	Covered bool
	Gateway uint16
}

// speech is what is known of a gateway in event time.
type speech struct {
	Last     int64 // event time of its last reading
	Since    int64 // when it began to speak
	Speaking bool
}

// engine walks readings in event time.
type engine struct {
	property string
	desc     Description
	programs []*program
	pr       *program // the version in force at st.Pos
	st       state
	receipt  receiptState

	nextLapse int64 // no signal lapses before this instant
	// How long each gateway may say nothing, in event time and by receipt.
	silences, heardSilences []int64
	dirtyAirs               []bool
	dirty                   dirtyParts
	closed                  []episode // ended in this step
	provisional             []episode // would be raised by the watermark alone
	// changed says that episodes differ from the last step's.
	changed bool
	scratch []float64
}

// dirtyParts mark what has to be looked at after the readings of one instant.
type dirtyParts struct{ air, surface, power, fan, water, leak, mains bool }

const (
	tickLength = 10 * µsMinute
	notYet     = int64(math.MinInt64)
)

func newEngine(d Description) *engine {
	e := &engine{property: d.Property, desc: d}
	for i, v := range d.Versions {
		starts := notYet
		if i > 0 && v.Effective != nil {
			starts = v.Effective.In(v.Zone()).UnixMicro()
		}
		e.programs = append(e.programs, compile(v, &d, starts))
	}
	e.pr = e.programs[0]
	e.st = state{Pos: notYet, FiredAt: notYet}
	e.st.Rain.init(e.pr)
	e.fit()
	e.receipt.fit(e)
	return e
}

// fit gives the state the shape of the program in force; what both know
// under the same name is kept, whatever its place.
func (e *engine) fit() {
	st, pr := &e.st, e.pr
	st.Rain.Response.Storms.LeastDryHours = pr.site.StormGap.Hours() // 0: the default
	for len(st.Signals) < len(pr.series) {
		st.Signals = append(st.Signals, signal{Until: never})
	}
	for len(st.Gateways) < len(pr.gateways) {
		st.Gateways = append(st.Gateways, speech{Last: notYet})
	}
	st.Airs = refit(st.Airs, len(pr.airs), func(a *airState, i int) bool { return a.Point == pr.airs[i].point },
		func(i int) airState { return newAirState(pr, pr.airs[i].point) })
	st.Surfaces = refit(st.Surfaces, len(pr.surfaces), func(s *surfaceState, i int) bool { return s.Limit.Point == pr.surfaces[i].point },
		func(i int) surfaceState {
			return surfaceState{Limit: newLimit(site.CondensationRisk, pr.surfaces[i].point, pr.rules[site.CondensationRisk])}
		})
	st.Woods = refit(st.Woods, len(pr.woods), func(l *limit, i int) bool { return l.Point == pr.woods[i].point },
		func(i int) limit { return newLimit(site.WoodWet, pr.woods[i].point, pr.rules[site.WoodWet]) })
	leak := func(i int) string { return pr.points[pr.series[pr.leaks[i]].point].id }
	st.Leaks = refit(st.Leaks, len(pr.leaks), func(l *limit, i int) bool { return l.Point == leak(i) },
		func(i int) limit { return newLimit(site.LeakAlarm, leak(i), pr.rules[site.LeakAlarm]) })
	st.Points = refit(st.Points, len(pr.points), func(p *pointState, i int) bool { return p.Point == pr.points[i].id },
		func(i int) pointState { return newPointState(pr, pr.points[i].id) })
	if st.Mains.Condition == "" {
		st.Mains = newLimit(site.MainsLost, "", pr.rules[site.MainsLost])
		st.Water = newLimit(site.HighWaterAlarm, "", pr.rules[site.HighWaterAlarm])
		st.Fan.Limit = newLimit(site.FanStopped, "", pr.rules[site.FanStopped])
		st.Space = newSpaceState()
		st.Outdoor.Limit = newLimit(site.OutdoorAirEntering, "", pr.rules[site.OutdoorAirEntering])
		st.Pump.init()
		st.Outdoor.Last = notYet
	}
	e.dirtyAirs = make([]bool, len(pr.airs))
	e.reckonSilences()
}

func refit[T any](old []T, n int, same func(*T, int) bool, fresh func(int) T) []T {
	out := make([]T, n)
	for i := range out {
		k := slices.IndexFunc(old, func(t T) bool { return same(&t, i) })
		if k >= 0 {
			out[i] = old[k]
		} else {
			out[i] = fresh(i)
		}
	}
	return out
}

// run walks sorted readings and, between them, sorted pump tests; refused water
// is merged in by the caller.
func (e *engine) run(rs []Reading, tests []PumpTest, mark func()) {
	for i := 0; i < len(rs); {
		t := rs[i].At
		for len(tests) > 0 && tests[0].At <= t {
			e.test(tests[0], mark)
			tests = tests[1:]
		}
		e.advance(t, mark)
		j := i
		for ; j < len(rs) && rs[j].At == t; j++ {
			e.take(&rs[j])
		}
		e.update(t)
		i = j
	}
	for _, x := range tests {
		e.test(x, mark)
	}
}

// test takes a pump test at its time, once.
func (e *engine) test(p PumpTest, mark func()) {
	if p.At <= e.st.Pump.TestedAt {
		return
	}
	if p.At > e.st.Pos {
		e.advance(p.At, mark)
	}
	e.pumpTested(p)
}

// advance passes everything that happens by itself before t: readings that
// lapse, ticks, midnights, a new version of the description.
func (e *engine) advance(t int64, mark func()) {
	if e.st.Pos == notYet {
		e.begin(t)
	}
	for {
		at := min(e.st.NextTick, e.st.Midnight, e.nextVersion())
		if e.nextLapse < t {
			e.nextLapse = e.earliestLapse()
		}
		switch lapse := e.nextLapse; {
		case lapse < t && lapse <= at:
			e.lapse(lapse)
		case at > t:
			e.st.Pos = t
			return
		default:
			e.pass(at, mark)
		}
	}
}

func (e *engine) begin(t int64) {
	e.st.Pos = t
	e.st.NextTick = t - mod(t, tickLength) + tickLength
	e.st.Midnight = e.midnightAfter(t)
}

func mod(a, b int64) int64 { return ((a % b) + b) % b }

func (e *engine) midnightAfter(t int64) int64 {
	local := timeAt(t).In(e.pr.zone)
	next := site.Date{Year: local.Year(), Month: local.Month(), Day: local.Day() + 1}.In(e.pr.zone).UnixMicro()
	if next <= t {
		return t + µsDay
	}
	return next
}

func (e *engine) nextVersion() int64 {
	if e.st.Version+1 < len(e.programs) {
		return max(e.programs[e.st.Version+1].starts, e.st.Pos)
	}
	return never
}

// pass handles one instant of the calendar.
func (e *engine) pass(at int64, mark func()) {
	e.st.Pos = max(e.st.Pos, at)
	if at == e.st.NextTick {
		e.tick(at)
		e.st.NextTick += tickLength
		if mod(at, µsHour) == 0 && mark != nil {
			mark()
		}
	}
	if at == e.st.Midnight {
		e.newDay(at)
		e.st.Midnight = e.midnightAfter(at)
	}
	if e.nextVersion() <= at {
		e.st.Version++
		before := e.pr
		e.pr = e.programs[e.st.Version]
		e.keepCommissioned(before)
		e.fit()
		e.receipt.fit(e)
		e.expectNewPoints(at)
		e.endUnwatched(at)
	}
}

// earliestLapse is when the next signal stops being known.
func (e *engine) earliestLapse() int64 {
	at := never
	for i := range e.st.Signals {
		if s := &e.st.Signals[i]; s.Covered && s.Until < at {
			at = s.Until
		}
	}
	for g := range e.st.Gateways {
		if sp := &e.st.Gateways[g]; sp.Speaking {
			at = min(at, sp.Last+e.silence(g))
		}
	}
	return at
}

func (e *engine) lapse(at int64) {
	e.st.Pos = max(e.st.Pos, at)
	for i := range e.st.Signals {
		if s := &e.st.Signals[i]; s.Covered && s.Until <= at {
			s.Covered = false
			e.touch(i)
		}
	}
	e.quieten(at)
	e.update(at)
	e.nextLapse = e.earliestLapse()
}

// take puts one reading into its signal.
func (e *engine) take(r *Reading) {
	g := int(r.Gateway)
	if g < len(e.st.Gateways) {
		e.speak(g, r.At)
	}
	if int(r.Series) >= len(e.pr.series) || !e.pr.series[r.Series].known {
		return
	}
	rule := &e.pr.series[r.Series]
	s := &e.st.Signals[r.Series]
	if rule.point >= 0 {
		e.st.Points[rule.point].take(e, rule, r)
	}
	moved := r.Gateway != NoGateway && (s.At == 0 || s.Gateway != r.Gateway)
	s.Value, s.At, s.Covered, s.Until = r.Value, r.At, true, never
	if moved {
		s.Gateway = r.Gateway
		e.reckonSilences()
	}
	if rule.hold > 0 {
		s.Until = r.At + rule.hold
		if s.Until < e.nextLapse {
			e.nextLapse = s.Until
		}
	}
	switch rule.feeds {
	case feedsPumpRun:
		e.pumpRan(rule, r)
	case feedsPumpOn:
		e.pumpSwitched(rule, r)
	case feedsRain:
		e.rained(int(r.Series), r)
	default:
		e.touch(int(r.Series))
	}
}

// touch marks what depends on a series for the update of this instant.
func (e *engine) touch(i int) {
	switch rule := &e.pr.series[i]; rule.feeds {
	case feedsAir:
		e.dirtyAirs[rule.target], e.dirty.air = true, true
	case feedsSurface:
		e.dirty.surface = true
	case feedsWood:
		e.updateWood(rule.target)
	case feedsFloat, feedsLevel:
		e.dirty.water = true
	case feedsLeak:
		e.dirty.leak = true
	case feedsMains:
		e.dirty.mains = true
	case feedsPower:
		e.dirty.power = true
	case feedsFan:
		e.dirty.fan = true
	case feedsBattery:
		e.updateBattery(i)
	}
}

// update brings everything that changed at t to t. Causes come first, so that
// a consequence of the same instant finds its cause.
func (e *engine) update(t int64) {
	e.rouse()
	d := e.dirty
	e.dirty = dirtyParts{}
	if d.mains {
		e.updateMains(t)
	}
	e.updatePumps(t)
	if d.water {
		e.updateWater(t)
	}
	if d.leak {
		e.updateLeaks(t)
	}
	if d.air {
		e.updateAirs(t)
	}
	if d.air || d.surface {
		e.updateSurfaces(t)
	}
	if d.air || d.power {
		e.updateSpace(t, d.air)
	}
	if d.fan {
		e.updateFan(t)
	}
}

// rouse looks again at states that stand while an alarm of theirs is on its way.
func (e *engine) rouse() {
	st := &e.st
	e.dirty.mains = e.dirty.mains || st.Mains.pending()
	e.dirty.water = e.dirty.water || st.Water.pending()
	for i := range st.Leaks {
		e.dirty.leak = e.dirty.leak || st.Leaks[i].pending()
	}
	for i := range e.pr.batteries {
		if st.Points[e.pr.series[e.pr.batteries[i]].point].Battery.pending() {
			e.updateBattery(e.pr.batteries[i])
		}
	}
}

// tick looks every ten minutes at what moves slowly.
func (e *engine) tick(t int64) {
	e.tickAirs(t)
	e.tickSpace(t)
	e.tickWater(t)
	e.releaseLater(t)
	if mod(t, µsHour) == 0 {
		e.hourAirs(t)
		e.hourOutdoor(t)
		e.hourPoints(t)
		e.forget(t)
	}
}

func (e *engine) newDay(t int64) { e.newWaterDay(t) }

func (e *engine) forget(t int64) {
	e.st.Closed = slices.DeleteFunc(e.st.Closed, func(c closedEpisode) bool { return c.Off < t-closedMemory })
}

func rhAtSurface(vapourPa, surfaceC float64) float64 {
	return min(100*vapourPa/air.FastSaturationPa(surfaceC), 100)
}
