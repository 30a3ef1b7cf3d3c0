package api

import (
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
	Payload      []byte  `json:"payload"`
	PayloadBytes int     `json:"payload_bytes"`
	ReplayedAt   *string `json:"replayed_at,omitempty"`
	DiscardedAt  *string `json:"discarded_at,omitempty"`
}

func showQuarantined(q view.Quarantined) quarantinedOut {
	return quarantinedOut{
		ID: q.ID, Property: q.Property, Gateway: q.Gateway, ReceivedAt: stamp(q.ReceivedAt), Topic: q.Topic,
		Reason: q.Reason, Detail: q.Detail, Point: q.Point, Quantity: q.Quantity,
		Payload: append([]byte{}, q.Payload...), PayloadBytes: q.PayloadBytes,
		ReplayedAt: stamp(q.ReplayedAt), DiscardedAt: stamp(q.DiscardedAt),
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

func (s *server) discardQuarantined(w http.ResponseWriter, r *http.Request) {
	var body struct {
		Note string `json:"note"`
	}
	err := decode(w, r, &body)
	if err = firstError(err, checkNote(body.Note)); err != nil {
		s.fail(w, r, err)
		return
	}
	q, err := s.Source.Discard(r.Context(), scope(r), chi.URLParam(r, "id"), principal(r).Name, body.Note)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeJSON(w, r, http.StatusOK, showQuarantined(q))
}
