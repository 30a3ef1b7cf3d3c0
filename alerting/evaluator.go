package alerting

import (
	"fmt"
	"slices"
	"sort"
	"time"

	"github.com/fxamacker/cbor/v2"

	"underkeep/alerting/water"
	"underkeep/store/site"
)

// Evaluator turns one property's readings into alarms. It is not safe for
// concurrent use.
type Evaluator struct {
	e           *engine
	resumedAt   int64 // from where the present step evaluates
	checkpoints []Checkpoint
	markEvery   int64 // event time between checkpoints, µs
}

// CheckpointEvery is the event time between checkpoints.
const CheckpointEvery = 6 * time.Hour

// New makes the evaluator of a property that has seen nothing yet. The
// description must have at least one version.
func New(d Description) *Evaluator {
	ev := &Evaluator{e: newEngine(d), resumedAt: notYet, markEvery: CheckpointEvery.Microseconds()}
	return ev
}

// Gateway is the number of a gateway by its name, added when it is new.
func (ev *Evaluator) Gateway(name string) uint16 {
	e := ev.e
	if i := indexOf(e.desc.Gateways, name); i >= 0 {
		return uint16(i)
	}
	e.desc.Gateways = append(slices.Clone(e.desc.Gateways), name)
	for _, pr := range e.programs {
		pr.compileGateways(&e.desc)
	}
	e.fit()
	e.receipt.fit(e)
	return uint16(len(e.desc.Gateways) - 1)
}

// EvaluatedTo is the event time up to which readings are in; the zero time
// before the first.
func (ev *Evaluator) EvaluatedTo() time.Time {
	if ev.e.st.Pos == notYet {
		return time.Time{}
	}
	return timeAt(ev.e.st.Pos)
}

// LastPumpCycle is when the last cycle of the primary pump ended; the zero time
// before the first.
func (ev *Evaluator) LastPumpCycle() time.Time {
	if end := ev.e.st.Pump.LastEnd; end != 0 {
		return timeAt(end)
	}
	return time.Time{}
}

// RainResponse is what the site's response to rain has learned so far; false where
// no pump is described.
func (ev *Evaluator) RainResponse() (water.Response, bool) {
	pump := ev.e.pr.primary
	return ev.e.st.Rain.Response, pump.run >= 0 || pump.on >= 0
}

// Late says whether a reading of this event time (Unix µs) comes too late to
// be taken in order, so that the caller has to rewind to a checkpoint first.
// A reading of the very instant reached is late only if something was decided
// at that instant.
func (ev *Evaluator) Late(at int64) bool {
	st := &ev.e.st
	return at < st.Pos || at == st.Pos && st.FiredAt >= at
}

// Step takes readings in event time and moves to the watermark. See Input for
// what the caller has to keep to.
func (ev *Evaluator) Step(in Input) Output {
	e := ev.e
	watermark := in.Watermark.UnixMicro()
	e.changed = e.changed || len(e.provisional) > 0 // what was provisional may be so no more
	e.closed, e.provisional, ev.checkpoints = nil, nil, nil
	ev.walk(&in)
	e.peekAll(watermark)
	e.listen(&in, watermark)
	out := Output{Checkpoints: ev.checkpoints}
	if e.changed {
		fresh := ev.freshEpisodes(timeAt(watermark))
		out.Changes = reconcile(in.Ledger, fresh, ev.resumedAt, timeAt(watermark))
		e.changed = false
	}
	if at := e.wakeAt(watermark); at != never {
		out.WakeAt = timeAt(at)
	}
	ev.resumedAt = e.st.Pos
	return out
}

// walk takes the readings, in two parts where a checkpoint is asked for between.
func (ev *Evaluator) walk(in *Input) {
	rs := in.Readings
	if !in.CheckpointAfter.IsZero() {
		at := in.CheckpointAfter.UnixMicro()
		n := sort.Search(len(rs), func(i int) bool { return rs[i].At > at })
		k := sort.Search(len(in.Tests), func(i int) bool { return in.Tests[i].At > at })
		ev.e.run(rs[:n], in.Tests[:k], ev.mark)
		if n > 0 && n < len(rs) {
			ev.checkpoints = append(ev.checkpoints, Checkpoint{At: timeAt(ev.e.st.Pos + 1), State: ev.EventState()})
		}
		rs = rs[n:]
		in.Tests = in.Tests[k:]
	}
	ev.e.run(rs, in.Tests, ev.mark)
}

// mark files a checkpoint where one is due.
func (ev *Evaluator) mark() {
	if mod(ev.e.st.Pos, ev.markEvery) != 0 {
		return
	}
	ev.checkpoints = append(ev.checkpoints, Checkpoint{At: timeAt(ev.e.st.Pos), State: ev.EventState()})
}

func (ev *Evaluator) freshEpisodes(known time.Time) []Alarm {
	e := ev.e
	var out []Alarm
	add := func(list []episode) {
		for i := range list {
			out = append(out, list[i].alarm(e.property, known))
		}
	}
	add(e.closed)
	add(e.st.Open)
	for i := range e.receipt.Open {
		ep := &e.receipt.Open[i]
		if ep.Condition != site.SensorSuspect || find(e.st.Open, ep.Condition, ep.Point) == nil {
			out = append(out, ep.alarm(e.property, known))
		}
	}
	add(e.provisional)
	slices.SortStableFunc(out, func(a, b Alarm) int { return a.RaisedAt.Compare(b.RaisedAt) })
	return out
}

// peekAll finds alarms that the watermark alone brings: states that stand since
// nothing else was said, and the last reading of a point that fell silent.
func (e *engine) peekAll(watermark int64) {
	e.eachPeek(watermark, func(c site.Condition, point string, p Priority, at int64) {
		if find(e.st.Open, c, point) == nil {
			e.provisional = append(e.provisional, e.newEpisode(c, point, p, at))
		}
	})
}

// wakeAt is the next receipt time after the watermark at which silence alone
// could raise something.
func (e *engine) wakeAt(watermark int64) int64 {
	best := never
	consider := func(at int64) {
		if at > watermark && at < best {
			best = at
		}
	}
	for i := range e.receipt.Gateways {
		if !e.receipt.Gateways[i].Silent {
			consider(e.gatewayDue(i))
		}
	}
	for i := range e.receipt.Points {
		if !e.receipt.Points[i].Silent {
			consider(e.pointDue(i))
		}
	}
	e.eachPeek(never-1, func(_ site.Condition, _ string, _ Priority, at int64) { consider(at) })
	for i := range e.st.Signals {
		if s := &e.st.Signals[i]; s.Covered && s.Until != never {
			consider(s.Until) // the last reading has stood for all it can
		}
	}
	return best
}

// eachPeek calls found for each condition that would be raised by the horizon.
func (e *engine) eachPeek(horizon int64, found func(site.Condition, string, Priority, int64)) {
	if e.st.Pos == notYet {
		return
	}
	peek := func(l *limit, upTo int64) {
		rule := e.pr.rules[l.Condition]
		if at, p := l.peek(rule, upTo); at != never {
			found(l.Condition, l.Point, p, at)
		}
	}
	peek(&e.st.Mains, e.stands(e.pr.mains, horizon))
	peek(&e.st.Water, e.stands(e.pr.floats, horizon))
	for i := range e.st.Leaks {
		peek(&e.st.Leaks[i], e.stands(e.pr.leaks[i:i+1], horizon))
	}
	if p := &e.st.Pump; p.OnSince != 0 && !p.RunOnActive && e.pr.site.Limits.Enabled(site.PumpRunOn) {
		if at := p.OnSince + e.runLimit(); at <= e.stands([]int{e.pr.primary.on}, horizon) && at > e.st.Pos {
			found(site.PumpRunOn, "", High, at)
		}
	}
	e.eachAirPeek(horizon, peek)
}

// stands is until when the states of these series stand unless their gateways
// speak again, at most the horizon.
func (e *engine) stands(series []int, horizon int64) int64 {
	end := notYet
	for _, i := range series {
		if i < 0 || !e.st.Signals[i].Covered {
			continue
		}
		g := e.st.Signals[i].Gateway
		end = max(end, e.st.Gateways[g].Last+e.silence(int(g))-1)
	}
	return min(end, horizon)
}

// eachAirPeek lets the last readings of a point that has fallen silent count
// for as long as they stand. Only once that time is over: until then the next
// reading may say otherwise.
func (e *engine) eachAirPeek(horizon int64, peek func(*limit, int64)) {
	for i := range e.pr.airs {
		a, rule := &e.st.Airs[i], &e.pr.airs[i]
		if until := e.lapsed(rule.rh, horizon); until > e.st.Pos {
			peek(&a.High, until-1)
			peek(&a.Drift, until-1)
		}
		if until := e.lapsed(rule.temp, horizon); until > e.st.Pos {
			peek(&a.Freeze, until-1)
		}
	}
	for i := range e.pr.surfaces {
		rule := &e.pr.surfaces[i]
		if rule.air < 0 {
			continue
		}
		until := min(e.lapsed(rule.series, horizon), e.lapsed(e.pr.airs[rule.air].rh, horizon), e.lapsed(e.pr.airs[rule.air].temp, horizon))
		if until > e.st.Pos {
			peek(&e.st.Surfaces[i].Limit, until-1)
		}
	}
}

func (e *engine) lapsed(series int, horizon int64) int64 {
	if series < 0 {
		return notYet
	}
	if s := &e.st.Signals[series]; s.Covered && s.Until != never && s.Until <= horizon {
		return s.Until
	}
	return notYet
}

type savedState struct {
	_       struct{} `cbor:",toarray"`
	Format  int
	Event   cbor.RawMessage
	Receipt receiptState
}

const stateFormat = 1

// EventState encodes what late data may rewind.
func (ev *Evaluator) EventState() []byte { return encode(&ev.e.st) }

// State encodes everything that a later process needs to go on.
func (ev *Evaluator) State() []byte {
	return encode(&savedState{Format: stateFormat, Event: ev.EventState(), Receipt: ev.e.receipt})
}

// Restore goes on from what State returned, for the same property; series and
// gateways may have been added since.
func (ev *Evaluator) Restore(b []byte) error {
	var s savedState
	if err := cbor.Unmarshal(b, &s); err != nil {
		return fmt.Errorf("restore evaluation state of %s: %w", ev.e.property, err)
	}
	if s.Format != stateFormat {
		return fmt.Errorf("restore evaluation state of %s: format %d, this version reads %d", ev.e.property, s.Format, stateFormat)
	}
	if err := ev.Rewind(s.Event); err != nil {
		return err
	}
	ev.e.receipt = s.Receipt
	ev.e.receipt.fit(ev.e)
	return nil
}

// Rewind goes back to a checkpoint, or with nil to the beginning. What is judged
// by receipt stays as it is. The next Step must bring every reading from the
// checkpoint's time on.
func (ev *Evaluator) Rewind(checkpoint []byte) error {
	e := ev.e
	var st state
	if checkpoint == nil {
		st = state{Pos: notYet, FiredAt: notYet}
		st.Rain.init(e.programs[0])
	} else if err := cbor.Unmarshal(checkpoint, &st); err != nil {
		return fmt.Errorf("rewind evaluation of %s: %w", e.property, err)
	}
	if st.Version >= len(e.programs) {
		return fmt.Errorf("rewind evaluation of %s: state of version %d of %d", e.property, st.Version, len(e.programs))
	}
	if !st.Rain.Response.Usable() { // learned in a shape of before: it learns anew
		pos := max(st.Pos, 0)
		st.Rain.Response = water.NewResponse(waterHistory(e.programs[st.Version]), pos)
	}
	e.st, e.pr, e.changed = st, e.programs[st.Version], true
	e.fit()
	ev.resumedAt = e.st.Pos
	return nil
}

var encoding = func() cbor.EncMode {
	m, err := cbor.EncOptions{Sort: cbor.SortCanonical, Time: cbor.TimeRFC3339Nano}.EncMode()
	if err != nil {
		panic("alerting: " + err.Error())
	}
	return m
}()

func encode(v any) []byte {
	b, err := encoding.Marshal(v)
	if err != nil {
		panic("alerting: state that cannot be encoded: " + err.Error())
	}
	return b
}
