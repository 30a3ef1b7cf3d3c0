package api

import (
	"encoding/base64"
	"net/http"
	"strconv"
	"strings"

	"github.com/go-chi/chi/v5"
)

// evidenceRoutes are open to everyone: whoever holds evidence against us must
// not need us to let them in.
func (s *server) evidenceRoutes(r chi.Router) {
	r.Use(deadline(queryTimeout))
	r.Get("/evidence/key", s.evidenceKey)
	r.Get("/evidence/checkpoint", s.evidenceCheckpoint)
	r.Get("/evidence/consistency", s.evidenceConsistency)
}

func (s *server) evidenceKey(w http.ResponseWriter, r *http.Request) {
	keys, err := s.Source.EvidenceKeys(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.plain(w, r, strings.Join(keys, "\n")+"\n")
}

func (s *server) evidenceCheckpoint(w http.ResponseWriter, r *http.Request) {
	signed, err := s.Source.Checkpoint(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.plain(w, r, string(signed))
}

// evidenceConsistency answers a proof as C2SP's witnesses read it: a hash in
// base64 a line.
func (s *server) evidenceConsistency(w http.ResponseWriter, r *http.Request) {
	q := query(r, "from", "to")
	from, to := q.size("from"), q.size("to")
	if q.err == nil && from > to {
		q.bad("from is more than to")
	}
	if q.err != nil {
		s.fail(w, r, q.err)
		return
	}
	proof, err := s.Source.Consistency(r.Context(), from, to)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	var b strings.Builder
	for _, h := range proof {
		b.WriteString(base64.StdEncoding.EncodeToString(h[:]) + "\n")
	}
	s.plain(w, r, b.String())
}

// size is a number of records.
func (p *params) size(name string) int64 {
	n, err := strconv.ParseInt(p.values.Get(name), 10, 64)
	if err != nil || n < 0 {
		p.bad("%s must be a number of records", name)
	}
	return n
}

func (s *server) plain(w http.ResponseWriter, r *http.Request, body string) {
	w.Header().Set("Cache-Control", "no-cache")
	sendTagged(w, r, http.StatusOK, "text/plain; charset=utf-8", []byte(body))
}
