package api

import (
	"net/http"
	"time"

	"github.com/go-chi/chi/v5"

	"underkeep/api/view"
)

type tokenOut struct {
	ID         string   `json:"id"`
	Name       string   `json:"name"`
	Role       string   `json:"role"`
	All        bool     `json:"all_properties"`
	Properties []string `json:"properties"`
	Actions    []string `json:"actions,omitempty"`
	CreatedAt  *string  `json:"created_at"`
	CreatedBy  string   `json:"created_by"`
	ExpiresAt  *string  `json:"expires_at,omitempty"`
	RevokedAt  *string  `json:"revoked_at,omitempty"`
	LastUsedAt *string  `json:"last_used_at,omitempty"`
	Secret     string   `json:"token,omitempty"`
}

func showToken(t view.Token, secret string) tokenOut {
	return tokenOut{ID: t.ID, Name: t.Name, Role: string(t.Role), All: t.Everything, Properties: orEmpty(t.Properties), Actions: t.Actions,
		CreatedAt: stamp(t.CreatedAt), CreatedBy: t.CreatedBy, ExpiresAt: stamp(t.Expires), RevokedAt: stamp(t.Revoked), LastUsedAt: stamp(t.LastUsed), Secret: secret}
}

func (s *server) listTokens(w http.ResponseWriter, r *http.Request) {
	found, err := s.Source.ListTokens(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out := make([]tokenOut, 0, len(found))
	for _, t := range found {
		out = append(out, showToken(t, ""))
	}
	s.writeJSON(w, r, http.StatusOK, map[string][]tokenOut{"tokens": out})
}

func (s *server) createToken(w http.ResponseWriter, r *http.Request) {
	var in struct {
		Name       string     `json:"name"`
		Role       string     `json:"role"`
		Properties []string   `json:"properties"`
		Actions    []string   `json:"actions"`
		Expires    *time.Time `json:"expires_at"`
	}
	if err := decode(w, r, &in); err != nil {
		s.fail(w, r, err)
		return
	}
	p := principal(r)
	n := view.NewToken{Name: in.Name, Role: view.Role(in.Role), Properties: in.Properties, Actions: in.Actions, Expires: or(in.Expires), By: p.Name}
	if err := view.CheckNewToken(p, n, s.Now()); err != nil {
		s.fail(w, r, err)
		return
	}
	secret, t, err := s.Source.IssueToken(r.Context(), n)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeSecret(w, r, http.StatusCreated, showToken(t, secret))
}

func (s *server) revokeToken(w http.ResponseWriter, r *http.Request) {
	s.done(w, r, s.Source.RevokeToken(r.Context(), chi.URLParam(r, "id"), principal(r).Name))
}

type auditOut struct {
	ID      string  `json:"id"`
	At      *string `json:"at"`
	Actor   string  `json:"actor"`
	Name    string  `json:"name,omitempty"`
	Action  string  `json:"action"`
	Object  string  `json:"object,omitempty"`
	Outcome string  `json:"outcome"`
	Source  string  `json:"source,omitempty"`
	Detail  string  `json:"detail,omitempty"`
}

func (s *server) listAudit(w http.ResponseWriter, r *http.Request) {
	q := query(r, "actor", "action", "object", "from", "to", "cursor", "limit")
	ask := view.AuditQuery{Actor: q.text("actor"), Action: q.text("action"), Object: q.text("object"),
		From: q.timeOr("from", time.Time{}), To: q.timeOr("to", time.Time{}), After: q.cursor(), Limit: q.limit(100, 500)}
	if q.err != nil {
		s.fail(w, r, q.err)
		return
	}
	found, next, err := s.Source.ListAudit(r.Context(), ask)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out := make([]auditOut, 0, len(found))
	for _, e := range found {
		outcome := "done"
		if e.Refused {
			outcome = "refused"
		}
		out = append(out, auditOut{e.ID, stamp(e.At), e.Actor, e.Name, e.Action, e.Object, outcome, e.Source, e.Detail})
	}
	s.writeJSON(w, r, http.StatusOK, struct {
		Audit []auditOut `json:"audit"`
		Next  *string    `json:"next,omitempty"`
	}{out, wrap(next)})
}

func (s *server) serviceCounts(w http.ResponseWriter, r *http.Request) {
	c, err := s.Source.ServiceCounts(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeJSON(w, r, http.StatusOK, map[string]any{"gateways": c.Gateways, "gateways_silent_for_a_day": c.SilentGateways, "quarantine_open": c.Quarantine})
}

// gatewayOverlap is how long an old password goes on unless the request says
// otherwise.
const gatewayOverlap = 7 * 24 * time.Hour

func (s *server) issueGateway(w http.ResponseWriter, r *http.Request) {
	var in struct {
		OverlapHours *float64 `json:"overlap_hours"`
	}
	if err := decode(w, r, &in); err != nil {
		s.fail(w, r, err)
		return
	}
	overlap := gatewayOverlap
	if in.OverlapHours != nil {
		if *in.OverlapHours < 0 || *in.OverlapHours > 720 {
			s.fail(w, r, badf("overlap_hours: 0 to 720 is expected"))
			return
		}
		overlap = time.Duration(*in.OverlapHours * float64(time.Hour))
	}
	c, err := s.Source.IssueGateway(r.Context(), scope(r), chi.URLParam(r, "id"), chi.URLParam(r, "gateway"), overlap, principal(r).Name)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeSecret(w, r, http.StatusCreated, struct {
		Username string  `json:"username"`
		Password string  `json:"password"`
		OldUntil *string `json:"old_password_until,omitempty"`
	}{c.Username, c.Password, stamp(c.OldUntil)})
}

func (s *server) revokeGateway(w http.ResponseWriter, r *http.Request) {
	s.done(w, r, s.Source.RevokeGateway(r.Context(), scope(r), chi.URLParam(r, "id"), chi.URLParam(r, "gateway"), principal(r).Name))
}
