package alerting

import "underkeep/store/site"

// limit is one condition at one point that is judged by sustained excursions:
// up to three ways to raise it, one way to clear it.
type limit struct {
	Condition site.Condition
	Point     string
	Active    Priority // 0 while normal
	Raise     []sustained
	Clear     sustained
}

// limitRule is what a limit is judged by; compiled from the property's file.
type limitRule struct {
	enabled   bool
	levels    []levelRule
	clearFor  int64
	notBefore int64 // conditions of the space rest while it dries out
}

type levelRule struct {
	priority Priority
	window   int64
}

func newLimit(c site.Condition, point string, rule *limitRule) limit {
	return limit{Condition: c, Point: point, Raise: make([]sustained, len(rule.levels))}
}

// step moves the limit to t, where the signal turns to the given classes, and
// tells the engine what happened on the way, in order.
func (l *limit) step(e *engine, rule *limitRule, t int64, clear class, raise ...class) {
	if !rule.enabled {
		l.Active = 0
		return
	}
	var at [3]int64
	any := false
	for i := range l.Raise {
		lv := rule.levels[i]
		at[i] = l.Raise[i].step(t, raise[i], lv.window, rule.notBefore, l.Active < lv.priority)
		any = any || at[i] != never
	}
	cleared := l.Clear.step(t, clear, rule.clearFor, 0, l.Active > 0)
	if !any && cleared == never {
		return
	}
	l.settle(e, rule, at, cleared)
}

// settle applies what was found, in event time.
func (l *limit) settle(e *engine, rule *limitRule, at [3]int64, cleared int64) {
	for {
		best, which := cleared, -1
		for i := range l.Raise {
			if at[i] < best {
				best, which = at[i], i
			}
		}
		switch {
		case best == never:
			return
		case which < 0:
			e.clear(l.Condition, l.Point, best)
			l.Active, cleared = 0, never
		default:
			e.raiseOrEscalate(l, rule.levels[which].priority, best)
			at[which] = never
		}
	}
}

// pending says that time alone may raise or clear it.
func (l *limit) pending() bool {
	if l.Active > 0 {
		return true
	}
	for i := range l.Raise {
		if l.Raise[i].current() == beyond {
			return true
		}
	}
	return false
}

// met says whether one of the definitions is met at an instant.
func (l *limit) met(rule *limitRule, at int64) bool {
	for i := range l.Raise {
		if l.Raise[i].metAt(at, rule.levels[i].window) {
			return true
		}
	}
	return false
}

// peek finds the earliest instant up to horizon at which the limit would be
// raised if nothing changed; with priority.
func (l *limit) peek(rule *limitRule, horizon int64) (int64, Priority) {
	if !rule.enabled || l.Active > 0 {
		return never, 0
	}
	best, priority := never, Priority(0)
	for i := range l.Raise {
		lv := rule.levels[i]
		if at := l.Raise[i].peek(horizon, lv.window, rule.notBefore); at < best {
			best, priority = at, lv.priority
		}
	}
	return best, priority
}

func (e *engine) raiseOrEscalate(l *limit, p Priority, at int64) {
	if l.Active == 0 {
		e.raise(l.Condition, l.Point, p, at)
	} else if l.Active < p {
		e.escalate(l.Condition, l.Point, p, at)
	}
	if p > l.Active {
		l.Active = p
	}
}
