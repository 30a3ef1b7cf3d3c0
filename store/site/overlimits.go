package site

import (
	"fmt"
	"maps"

	"underkeep/store/site/units"
)

// Over lays limits over others: a number given here replaces the one there, a
// condition off here is off, and a number given here puts a condition that was
// off there back on. The error says where the two together contradict
// themselves, though each by itself may not.
func (l Limits) Over(base Limits) (Limits, error) {
	out := Limits{Off: maps.Clone(base.Off)}
	for c, values := range base.Values {
		for param, v := range values {
			out.set(c, param, v)
		}
	}
	for c, values := range l.Values {
		delete(out.Off, c)
		for param, v := range values {
			out.set(c, param, v)
		}
	}
	for c := range l.Off {
		out.switchOff(c)
	}
	for _, r := range limitRules {
		if !r.holds(out) {
			return Limits{}, fmt.Errorf("contradiction in %s: %s (%s) must be below %s (%s): %s", r.condition,
				r.low, out.text(r.condition, r.low, units.SI), r.high, out.text(r.condition, r.high, units.SI), r.reason)
		}
	}
	return out, nil
}
