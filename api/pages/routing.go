package pages

import (
	"net/http"
	"net/url"
	"strings"

	"github.com/go-chi/chi/v5"

	"underkeep/api/view"
)

func (p *pages) routingRoutes(r chi.Router) {
	r.Get("/settings/routing", p.routing)
	r.Post("/settings/routing", p.posted(p.setRouting))
}

type routingPage struct {
	frame
	Change form
	Since  string
	Said   string
}

// routing is the file that says who is told of what.
func (p *pages) routing(w http.ResponseWriter, r *http.Request) {
	p.showRouting(w, r, http.StatusOK, nil, nil)
}

func (p *pages) showRouting(w http.ResponseWriter, r *http.Request, status int, in url.Values, wrong wrongs) {
	now, err := p.Source.Routing(r.Context())
	if err != nil {
		p.fail(w, r, err)
		return
	}
	page := routingPage{frame: p.still(r, "Who is told"), Since: "The rules that come with the program are in force.", Said: said(r, map[string]string{"set": "In force from now on."})}
	if !now.SetAt.IsZero() {
		page.Since = "In force since " + day(now.SetAt) + ", by " + now.SetBy + "."
	}
	page.Change = newForm(page.frame, "routing", "/settings/routing", "Put these rules in force",
		input{Name: "file", Label: "Rules", Kind: "textarea", Rows: 28, Required: true, Value: now.Document, Hint: "YAML. The preview shows messages as they would be sent."})
	page.Change.put(in, wrong)
	p.render(w, r, status, "routing.html", page)
}

func (p *pages) setRouting(w http.ResponseWriter, r *http.Request) {
	if !visitOf(r).May(view.WriteFleet) {
		p.message(w, r, http.StatusForbidden, "Not yours to do", "Your role does not change settings. Ask a manager.")
		return
	}
	_, err := p.Source.SetRouting(r.Context(), []byte(strings.ReplaceAll(r.PostFormValue("file"), "\r\n", "\n")), visitOf(r).Name)
	if wrong, ok := wrongIn(err); ok {
		p.showRouting(w, r, http.StatusUnprocessableEntity, r.PostForm, wrongs{"file": wrong[""]})
		return
	}
	if err != nil {
		p.fail(w, r, err)
		return
	}
	back(w, r, "/settings/routing", "set")
}
