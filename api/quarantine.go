package api

import (
	"context"
	"net/http"

	"github.com/go-chi/chi/v5"

	"underkeep/api/view"
)

type quarantinedOut struct {
	ID           string  `json:"id"`
	Property     string  `json:"property"`
	Gateway      string  `json:"gateway"`
	ReceivedAt   *string `json:"received_at"`
	Topic        string  `json:"topic"`
	Reason       string  `json:"reason"`
	Detail       string  `json:"detail"`
	Point        string  `json:"point,omitempty"`
	Quantity     string  `json:"quantity,omitempty"`
	Payload      []byte  `json:"payload,omitempty"`
	PayloadBytes int     `json:"payload_bytes"`
	Outcome      string  `json:"outcome,omitempty"`
	ClosedAt     *string `json:"closed_at,omitempty"`
	ClosedBy     string  `json:"closed_by,omitempty"`
}

func showQuarantined(q view.Quarantined) quarantinedOut {
	return quarantinedOut{
		ID: q.ID, Property: q.Property, Gateway: q.Gateway, ReceivedAt: stamp(q.ReceivedAt), Topic: q.Topic,
		Reason: q.Reason, Detail: q.Detail, Point: q.Point, Quantity: q.Quantity,
		Payload: q.Payload, PayloadBytes: q.PayloadBytes,
		Outcome: q.Outcome, ClosedAt: stamp(q.ClosedAt), ClosedBy: q.ClosedBy,
	}
}

func (s *server) listQuarantine(w http.ResponseWriter, r *http.Request) {
	q := query(r, "property", "reason", "all", "cursor", "limit")
	ask := view.QuarantineQuery{
		Property: q.name("property", false), Reason: q.text("reason"), All: q.flag("all"),
		After: q.cursor(), Limit: q.limit(100, 500),
	}
	if q.err != nil {
		s.fail(w, r, q.err)
		return
	}
	found, next, err := s.Source.Quarantine(r.Context(), scope(r), ask)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out := make([]quarantinedOut, 0, len(found))
	for _, f := range found {
		out = append(out, showQuarantined(f))
	}
	s.writeJSON(w, r, http.StatusOK, struct {
		Quarantine []quarantinedOut `json:"quarantine"`
		Next       *string          `json:"next,omitempty"`
	}{out, wrap(next)})
}

func (s *server) replayQuarantined(w http.ResponseWriter, r *http.Request) {
	done, err := s.Source.Replay(r.Context(), scope(r), chi.URLParam(r, "id"), principal(r).Name)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeJSON(w, r, http.StatusOK, map[string]int{"stored": done.Stored, "refused": done.Refused})
}

func (s *server) getQuarantined(w http.ResponseWriter, r *http.Request) {
	s.showItem(w, r, s.Source.QuarantinedItem)
}

func (s *server) discardQuarantined(w http.ResponseWriter, r *http.Request) {
	s.showItem(w, r, func(ctx context.Context, scope view.Scope, id string) (view.Quarantined, error) {
		return s.Source.Discard(ctx, scope, id, principal(r).Name)
	})
}

func (s *server) showItem(w http.ResponseWriter, r *http.Request, f func(context.Context, view.Scope, string) (view.Quarantined, error)) {
	q, err := f(r.Context(), scope(r), chi.URLParam(r, "id"))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeJSON(w, r, http.StatusOK, showQuarantined(q))
}
