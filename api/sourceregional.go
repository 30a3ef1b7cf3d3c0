package api

import (
	"context"
	"strconv"

	"underkeep/alerting/region"
	"underkeep/api/view"
	"underkeep/store"
)

// RegionalEvents implements view.Regional.
func (s *storeSource) RegionalEvents(ctx context.Context, scope view.Scope, q view.RegionalQuery) ([]view.RegionalEvent, string, error) {
	found, next, err := s.store.RegionalEvents(ctx, store.RegionalQuery{Scope: storeScope(scope), Standing: q.Standing, Wanting: q.Wanting,
		From: q.From, To: q.To, Cursor: q.After, Limit: q.Limit, Now: s.now()})
	if err != nil {
		return nil, "", told(err)
	}
	out := make([]view.RegionalEvent, 0, len(found))
	for i := range found {
		out = append(out, viewRegional(&found[i], scope))
	}
	return out, next, nil
}

// RegionalEvent implements view.Regional.
func (s *storeSource) RegionalEvent(ctx context.Context, scope view.Scope, id string) (view.RegionalEvent, error) {
	n, err := strconv.ParseInt(id, 10, 64)
	if err != nil {
		return view.RegionalEvent{}, view.ErrNotFound
	}
	e, err := s.store.RegionalEvent(ctx, storeScope(scope), n)
	if err != nil {
		return view.RegionalEvent{}, told(err)
	}
	return viewRegional(&e, scope), nil
}

// CountRegional implements view.Regional.
func (s *storeSource) CountRegional(ctx context.Context) (events, callOuts map[region.Kind]int, err error) {
	events, callOuts, err = s.store.CountRegional(ctx)
	return events, callOuts, told(err)
}

// viewRegional leaves out where the other houses stand for those who do not
// see them.
func viewRegional(e *store.RegionalEvent, scope view.Scope) view.RegionalEvent {
	out := view.RegionalEvent{ID: regionalID(e.ID), Kind: e.Kind, Houses: e.Houses, Since: e.Since, Until: e.Until, Why: e.Why}
	if scope.All && e.Located {
		out.Located, out.Latitude, out.Longitude, out.RadiusKm = true, e.Latitude, e.Longitude, e.RadiusKm
	}
	for _, m := range e.Members {
		out.Members = append(out.Members, view.RegionalMember{Property: m.Property, CallOut: m.CallOut, Since: m.Since, Until: m.Until})
	}
	return out
}

func regionalID(id int64) string {
	if id == 0 {
		return ""
	}
	return strconv.FormatInt(id, 10)
}
