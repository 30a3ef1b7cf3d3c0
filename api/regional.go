package api

import (
	"net/http"

	"github.com/go-chi/chi/v5"

	"underkeep/alerting/region"
	"underkeep/api/view"
)

type regionalOut struct {
	ID      string              `json:"id"`
	Kind    string              `json:"kind"`
	Houses  int                 `json:"houses"`
	Since   *string             `json:"since"`
	Until   *string             `json:"until"`
	Where   *regionalWhereOut   `json:"where,omitempty"`
	Why     regionalWhyOut      `json:"why"`
	Members []regionalMemberOut `json:"members"`
}

type regionalWhereOut struct {
	Lat      float64 `json:"lat"`
	Lon      float64 `json:"lon"`
	RadiusKm float64 `json:"radius_km"`
}

// regionalWhyOut is why the call-outs are no coincidence.
type regionalWhyOut struct {
	Houses      int     `json:"houses"`
	InReach     int     `json:"in_reach"`
	ReachKm     float64 `json:"reach_km,omitempty"`
	WithinS     float64 `json:"within_s"`
	Expected    float64 `json:"expected"`
	Probability float64 `json:"probability"`
	UsualAYear  float64 `json:"usual_a_house_and_year"`
}

type regionalMemberOut struct {
	Property string  `json:"property"`
	CallOut  string  `json:"call_out"`
	Since    *string `json:"since"`
	Until    *string `json:"until"`
}

func showRegional(e view.RegionalEvent) regionalOut {
	out := regionalOut{ID: e.ID, Kind: string(e.Kind), Houses: e.Houses, Since: stamp(e.Since), Until: stamp(e.Until), Why: showChance(e.Why),
		Members: make([]regionalMemberOut, 0, len(e.Members))}
	if e.Located {
		out.Where = &regionalWhereOut{e.Latitude, e.Longitude, e.RadiusKm}
	}
	for _, m := range e.Members {
		out.Members = append(out.Members, regionalMemberOut{m.Property, m.CallOut, stamp(m.Since), stamp(m.Until)})
	}
	return out
}

func showChance(c region.Chance) regionalWhyOut {
	return regionalWhyOut{c.Houses, c.InReach, c.ReachKm, c.Span.Seconds(), c.Expected, c.Probability, c.RatePerYear}
}

func (s *server) listRegional(w http.ResponseWriter, r *http.Request) {
	q := query(r, "standing", "from", "to", "cursor", "limit")
	ask := view.RegionalQuery{Standing: q.flag("standing"), After: q.cursor(), Limit: q.limit(50, 200)}
	if q.values.Has("from") {
		ask.From = q.timeOr("from", ask.From)
	}
	if q.values.Has("to") {
		ask.To = q.timeOr("to", ask.To)
	}
	if q.err != nil {
		s.fail(w, r, q.err)
		return
	}
	found, next, err := s.Source.RegionalEvents(r.Context(), scope(r), ask)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out := make([]regionalOut, 0, len(found))
	for _, e := range found {
		out = append(out, showRegional(e))
	}
	s.writeJSON(w, r, http.StatusOK, struct {
		Events []regionalOut `json:"regional_events"`
		Next   *string       `json:"next,omitempty"`
	}{out, wrap(next)})
}

func (s *server) getRegional(w http.ResponseWriter, r *http.Request) {
	e, err := s.Source.RegionalEvent(r.Context(), scope(r), chi.URLParam(r, "id"))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeJSON(w, r, http.StatusOK, showRegional(e))
}
