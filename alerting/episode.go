package alerting

import (
	"slices"
	"time"

	"underkeep/store/site"
)

// episode is an alarm while the evaluator carries it.
type episode struct {
	Condition site.Condition
	Point     string
	Priority  Priority
	OnAt      int64 // when the condition itself began to hold
	RaisedAt  int64
	ClearedAt int64 // 0 while it holds
	Changes   []PriorityChange
	Causes    []Cause
	CallOut   string
	By        site.Condition // suppressed by design under this condition
	Remarks   []string
}

// closedEpisode is remembered for a while: a consequence can be found some
// minutes after its cause has gone.
type closedEpisode struct {
	Condition site.Condition
	Point     string
	OnAt, Off int64
}

const closedMemory = 2 * µsDay

// causeRule says that cause explains consequence; samePoint when only at the
// same point.
type causeRule struct {
	consequence, cause site.Condition
	samePoint          bool
}

var causeRules = []causeRule{
	{site.PumpSilentInRain, site.MainsLost, false},
	{site.DehumidifierIdle, site.MainsLost, false},
	{site.DehumidifierWeak, site.MainsLost, false},
	{site.FanStopped, site.MainsLost, false},
	{site.GatewaySilent, site.MainsLost, false},
	{site.PointSilent, site.GatewaySilent, false},
	{site.HumidityDrift, site.HumidityHigh, true},
	{site.DehumidifierWeak, site.OutdoorAirEntering, false},
	{site.WaterUnexplained, site.PumpShortCycling, false},
	{site.WaterUnexplained, site.PumpRunOn, false},
	{site.PumpWeak, site.PumpShortCycling, false},
	{site.PumpWeak, site.PumpRunOn, false},
}

// causeAt finds a condition that explains c at that instant and until when it
// does (never while it still holds).
func (e *engine) causeAt(c site.Condition, point string, at int64) (site.Condition, int64) {
	for _, r := range causeRules {
		if r.consequence != c || !e.explains(r, at) {
			continue
		}
		if until, ok := e.activeUntil(r, point, at); ok {
			return r.cause, until
		}
	}
	return "", 0
}

// explains is false where the cause concerns another circuit than the consequence.
func (e *engine) explains(r causeRule, at int64) bool {
	if r.cause != site.MainsLost {
		return true
	}
	return e.mainsExplains(r.consequence)
}

func (e *engine) activeUntil(r causeRule, point string, at int64) (int64, bool) {
	for _, list := range [][]episode{e.st.Open, e.receipt.Open, e.provisional} {
		for i := range list {
			ep := &list[i]
			if ep.Condition == r.cause && ep.OnAt <= at && (!r.samePoint || ep.Point == point) {
				return never, true
			}
		}
	}
	for i := range e.st.Closed {
		cl := &e.st.Closed[i]
		if cl.Condition == r.cause && cl.OnAt <= at && at < cl.Off && (!r.samePoint || cl.Point == point) {
			return cl.Off, true
		}
	}
	return 0, false
}

// newEpisode makes the episode of a condition that begins to hold at an instant.
func (e *engine) newEpisode(c site.Condition, point string, p Priority, at int64) episode {
	e.changed = true
	ep := episode{Condition: c, Point: point, Priority: p, OnAt: at, RaisedAt: at}
	by, until := e.causeAt(c, point, at)
	switch {
	case by == "":
		e.announce(&ep, at)
	case until == never:
		ep.By = by
		ep.Causes = []Cause{{Cause: string(by), Evidence: []string{"follows from " + string(by)}}}
	default:
		e.announce(&ep, until)
	}
	return ep
}

// announce makes an episode an alarm for people: diagnosed, with its call-out.
func (e *engine) announce(ep *episode, at int64) {
	e.changed = true
	ep.By, ep.RaisedAt = "", at
	ep.Causes = e.diagnose(ep.Condition, ep.Point, at)
	ep.Remarks = e.remarks(ep.Condition, ep.Point)
	first := string(ep.Condition)
	if len(ep.Causes) > 0 {
		first = ep.Causes[0].Cause
	}
	for _, list := range [][]episode{e.st.Open, e.receipt.Open, e.provisional} {
		for i := range list {
			o := &list[i]
			if o.By == "" && o.CallOut != "" && len(o.Causes) > 0 && o.Causes[0].Cause == first {
				ep.CallOut = o.CallOut
				return
			}
		}
	}
	ep.CallOut = e.property + "/" + timeAt(at).Format(time.RFC3339) + "/" + first
}

func (e *engine) raise(c site.Condition, point string, p Priority, at int64) {
	e.fired(at)
	e.st.Open = append(e.st.Open, e.newEpisode(c, point, p, at))
}

func (e *engine) escalate(c site.Condition, point string, p Priority, at int64) {
	e.fired(at)
	if ep := find(e.st.Open, c, point); ep != nil && p > ep.Priority {
		ep.Priority = p
		ep.Changes = append(ep.Changes, PriorityChange{timeAt(max(at, ep.RaisedAt)), p})
	}
}

func (e *engine) clear(c site.Condition, point string, at int64) {
	e.fired(at)
	i := slices.IndexFunc(e.st.Open, func(ep episode) bool { return ep.Condition == c && ep.Point == point })
	if i < 0 {
		return
	}
	ep := e.st.Open[i]
	e.st.Open = slices.Delete(e.st.Open, i, i+1)
	ep.ClearedAt = max(at, ep.RaisedAt)
	e.closed = append(e.closed, ep)
	e.st.Closed = append(e.st.Closed, closedEpisode{c, point, ep.OnAt, at})
	e.releaseConsequences(e.st.Open, c, at)
	e.releaseConsequences(e.receipt.Open, c, at)
}

// endUnwatched ends the alarms that the version now in force does not watch for:
// nothing would ever clear them.
func (e *engine) endUnwatched(at int64) {
	watched := func(ep episode) bool {
		return e.pr.watches(ep.Condition, ep.Point) && e.pr.site.Limits.Enabled(ep.Condition)
	}
	for _, ep := range slices.Clone(e.st.Open) {
		if !watched(ep) {
			e.clear(ep.Condition, ep.Point, at)
		}
	}
	for _, ep := range slices.Clone(e.receipt.Open) {
		if !watched(ep) {
			e.clearReceipt(ep.Condition, ep.Point, at)
		}
	}
}

// watches says whether this version still has what a condition is judged by.
func (pr *program) watches(c site.Condition, point string) bool {
	if point != "" && indexBy(len(pr.points), func(i int) bool { return pr.points[i].id == point }) < 0 {
		return false
	}
	switch c {
	case site.MainsLost:
		return len(pr.mains) > 0
	case site.HighWaterAlarm:
		return len(pr.floats)+len(pr.levels) > 0
	case site.DehumidifierIdle:
		return pr.humidity.setPct > 0
	case site.DehumidifierWeak:
		return pr.humidity.setPct > 0 && pr.power >= 0
	case site.FanStopped:
		return pr.fan >= 0
	case site.BackupPumpRan:
		return pr.backup.run >= 0 || pr.backup.on >= 0
	case site.PumpShortCycling, site.PumpRunOn, site.PumpWeak, site.PumpSilentInRain:
		return pr.primary.run >= 0 || pr.primary.on >= 0
	case site.WaterUnexplained:
		return pr.primary.run >= 0 || pr.primary.on >= 0 && pr.storageL > 0
	case site.CondensationRisk:
		return indexBy(len(pr.surfaces), func(i int) bool { return pr.surfaces[i].point == point && pr.surfaces[i].air >= 0 }) >= 0
	}
	return true
}

// releaseConsequences raises what was suppressed under a cause that has gone
// and still holds by itself. One that only waits out its off-delay stays quiet.
func (e *engine) releaseConsequences(list []episode, cause site.Condition, at int64) {
	for i := range list {
		if ep := &list[i]; ep.By == cause {
			e.release(ep, at)
		}
	}
}

func (e *engine) release(ep *episode, at int64) {
	if by, until := e.causeAt(ep.Condition, ep.Point, at); by != "" && until == never {
		ep.By = by
		return
	}
	if e.holds(ep.Condition, ep.Point, at) {
		e.announce(ep, max(at, ep.OnAt)) // what receipt found may begin after its cause had gone
	}
}

// releaseLater asks again of those that stayed quiet when their cause went.
func (e *engine) releaseLater(t int64) {
	for i := range e.st.Open {
		if ep := &e.st.Open[i]; ep.By != "" {
			e.release(ep, t)
		}
	}
}

// holds says whether the definition of a condition that can be suppressed is
// met at an instant, its off-delay aside.
func (e *engine) holds(c site.Condition, point string, at int64) bool {
	switch c {
	case site.HumidityDrift:
		i := indexBy(len(e.st.Airs), func(i int) bool { return e.st.Airs[i].Point == point })
		return i >= 0 && e.st.Airs[i].Drift.met(e.pr.rules[c], at)
	case site.FanStopped:
		return e.st.Fan.Limit.met(e.pr.rules[c], at)
	case site.DehumidifierIdle:
		idle := &e.st.Space.Idle // one that draws power again only waits out its off-delay
		return idle.On.metAt(at, e.pr.rules[c].levels[0].window) && (e.pr.power < 0 || idle.Power.current() == beyond)
	case site.DehumidifierWeak:
		w := e.pr.rules[c].levels[0].window
		return e.st.Space.Weak.On.metAt(at, w) && e.st.Space.Weak.Power.mostly(at, w)
	case site.PumpWeak:
		return e.st.Pump.WeakStreak >= int(e.pr.site.Limits.Value(c, "cycles"))
	case site.WaterUnexplained:
		return e.excessMet(at)
	}
	return true
}

func (e *engine) fired(at int64) {
	e.changed = true
	if at >= e.st.Pos {
		e.st.FiredAt = at
	}
}

// active says whether a condition holds now, in the eyes of the evaluator.
func (e *engine) active(c site.Condition, point string) bool {
	return find(e.st.Open, c, point) != nil || find(e.receipt.Open, c, point) != nil
}

func find(list []episode, c site.Condition, point string) *episode {
	for i := range list {
		if list[i].Condition == c && list[i].Point == point {
			return &list[i]
		}
	}
	return nil
}

// remarks qualify an alarm that rests on a sensor which is itself in doubt.
func (e *engine) remarks(c site.Condition, point string) []string {
	points := []string{point}
	if c == site.HighWaterAlarm {
		points = nil
		for _, i := range slices.Concat(e.pr.floats, e.pr.levels) {
			points = append(points, e.pr.points[e.pr.series[i].point].id)
		}
	}
	for _, p := range points {
		if c != site.SensorSuspect && p != "" && e.active(site.SensorSuspect, p) {
			return []string{"the sensor at " + p + " is in doubt; check it with a second instrument"}
		}
	}
	return nil
}

func (ep *episode) alarm(property string, known time.Time) Alarm {
	a := Alarm{
		Property: property, Condition: ep.Condition, Point: ep.Point, Priority: ep.Priority,
		RaisedAt: timeAt(ep.RaisedAt), KnownAt: known,
		PriorityChanges: slices.Clone(ep.Changes), Causes: slices.Clone(ep.Causes),
		CallOut: ep.CallOut, SuppressedBy: ep.By, Remarks: slices.Clone(ep.Remarks),
	}
	if ep.ClearedAt != 0 {
		a.ClearedAt = timeAt(ep.ClearedAt)
	}
	return a
}
