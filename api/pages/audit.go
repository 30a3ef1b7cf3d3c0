package pages

import (
	"net/http"
	"strings"

	"github.com/go-chi/chi/v5"

	"underkeep/api/view"
)

func (p *pages) auditRoutes(r chi.Router) { r.Get("/settings/audit", p.audit) }

type auditPage struct {
	frame
	Rows          []auditRow
	Actor, Object string
	Next          string
}

type auditRow struct {
	When, Who, What, Object, From, Detail string
	Refused                               bool
}

// audit lists who came in and what they changed, newest first.
func (p *pages) audit(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	ask := view.AuditQuery{Actor: cut(strings.TrimSpace(q.Get("actor")), 200), Object: cut(strings.TrimSpace(q.Get("object")), 200), After: cut(q.Get("after"), 400), Limit: 100}
	found, next, err := p.Source.ListAudit(r.Context(), ask)
	if err != nil {
		p.fail(w, r, err)
		return
	}
	page := auditPage{frame: p.still(r, "Audit log"), Actor: ask.Actor, Object: ask.Object}
	for _, e := range found {
		row := auditRow{When: e.At.UTC().Format("Jan 2, 2006, 15:04:05 UTC"), Who: e.Actor, What: e.Action, Object: e.Object, From: e.Source, Detail: e.Detail, Refused: e.Refused}
		if e.Name != "" {
			row.Who = e.Name + " (" + e.Actor + ")"
		}
		page.Rows = append(page.Rows, row)
	}
	if next != "" {
		q.Set("after", next)
		page.Next = "/settings/audit?" + q.Encode()
	}
	p.render(w, r, http.StatusOK, "audit.html", page)
}
