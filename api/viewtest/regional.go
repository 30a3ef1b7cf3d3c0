package viewtest

import (
	"cmp"
	"context"
	"slices"
	"strconv"

	"underkeep/alerting/region"
	"underkeep/api/view"
)

// RegionalEvents implements view.Regional over Fleet.Events.
func (f *Fleet) RegionalEvents(_ context.Context, scope view.Scope, q view.RegionalQuery) ([]view.RegionalEvent, string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	start := 0
	if q.After != "" {
		var err error
		if start, err = strconv.Atoi(q.After); err != nil || start > len(f.Events) {
			return nil, "", view.ErrInvalid
		}
	}
	var out []view.RegionalEvent
	for i, e := range f.Events[start:] {
		e, seen := inScope(scope, e)
		over := q.Standing && !e.Until.IsZero() || q.Wanting && !f.wanted(e.ID)
		outside := !q.From.IsZero() && !e.Until.IsZero() && !e.Until.After(q.From) || !q.To.IsZero() && !e.Since.Before(q.To)
		if !seen || over || outside {
			continue
		}
		if len(out) == q.Limit {
			return out, strconv.Itoa(start + i), f.Down
		}
		out = append(out, e)
	}
	return out, "", f.Down
}

// wanted says that an alarm of an event holds, or that nobody has seen it.
func (f *Fleet) wanted(id string) bool {
	return slices.ContainsFunc(f.AllAlarms, func(a view.Alarm) bool {
		return a.RegionalEvent == id && a.State != view.Normal && a.State != view.Suppressed
	})
}

func inScope(scope view.Scope, e view.RegionalEvent) (view.RegionalEvent, bool) {
	e.Members = slices.DeleteFunc(slices.Clone(e.Members), func(m view.RegionalMember) bool { return !scope.Allows(m.Property) })
	e.Located = e.Located && scope.All
	return e, len(e.Members) > 0
}

// RegionalEvent implements view.Regional.
func (f *Fleet) RegionalEvent(_ context.Context, scope view.Scope, id string) (view.RegionalEvent, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, e := range f.Events {
		if e, seen := inScope(scope, e); e.ID == id && seen {
			return e, f.Down
		}
	}
	return view.RegionalEvent{}, cmp.Or(f.Down, view.ErrNotFound)
}

// CountRegional implements view.Regional.
func (f *Fleet) CountRegional(context.Context) (events, callOuts map[region.Kind]int, err error) {
	events, callOuts = map[region.Kind]int{}, map[region.Kind]int{}
	for _, e := range f.Events {
		if e.Until.IsZero() {
			events[e.Kind]++
			callOuts[e.Kind] += len(e.Members)
		}
	}
	return events, callOuts, f.Down
}
