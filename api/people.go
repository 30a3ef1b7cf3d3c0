package api

import (
	"net/http"

	"github.com/go-chi/chi/v5"

	"underkeep/api/view"
)

type accountOut struct {
	ID          string   `json:"id"`
	Name        string   `json:"name"`
	Email       string   `json:"email,omitempty"`
	Phone       string   `json:"phone,omitempty"`
	Role        string   `json:"role"`
	All         bool     `json:"all_properties"`
	Properties  []string `json:"properties"`
	Language    string   `json:"language"`
	Units       string   `json:"units,omitempty"`
	HasPassword bool     `json:"has_password"`
	CreatedAt   *string  `json:"created_at"`
	CreatedBy   string   `json:"created_by"`
	DisabledAt  *string  `json:"disabled_at,omitempty"`
}

func showPerson(p view.Person) accountOut {
	return accountOut{
		ID: p.ID, Name: p.Name, Email: p.Email, Phone: p.Phone, Role: string(p.Role), All: p.Everything, Properties: orEmpty(p.Properties),
		Language: p.Language, Units: p.Units, HasPassword: p.HasPassword, CreatedAt: stamp(p.CreatedAt), CreatedBy: p.CreatedBy, DisabledAt: stamp(p.Disabled),
	}
}

func orEmpty(l []string) []string {
	if l == nil {
		return []string{}
	}
	return l
}

// personIn is what may be said of a person; nil leaves it as it is.
type personIn struct {
	Name       *string   `json:"name"`
	Email      *string   `json:"email"`
	Phone      *string   `json:"phone"`
	Role       *string   `json:"role"`
	All        *bool     `json:"all_properties"`
	Properties *[]string `json:"properties"`
	Language   *string   `json:"language"`
	Units      *string   `json:"units"`
	Password   *string   `json:"password"`
	Disabled   *bool     `json:"disabled"`
}

func (s *server) listPeople(w http.ResponseWriter, r *http.Request) {
	q := query(r, "role", "property", "disabled", "cursor", "limit")
	ask := view.PeopleQuery{Role: view.Role(q.text("role")), Property: q.name("property", false), Disabled: q.flag("disabled"), After: q.cursor(), Limit: q.limit(100, 500)}
	if q.err != nil {
		s.fail(w, r, q.err)
		return
	}
	found, next, err := s.Source.ListPeople(r.Context(), ask)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out := make([]accountOut, 0, len(found))
	for _, p := range found {
		out = append(out, showPerson(p))
	}
	s.writeJSON(w, r, http.StatusOK, struct {
		People []accountOut `json:"people"`
		Next   *string      `json:"next,omitempty"`
	}{out, wrap(next)})
}

func (s *server) getPerson(w http.ResponseWriter, r *http.Request) {
	p, err := s.Source.FindPerson(r.Context(), chi.URLParam(r, "id"))
	s.answerPerson(w, r, http.StatusOK, p, err)
}

func (s *server) answerPerson(w http.ResponseWriter, r *http.Request, status int, p view.Person, err error) {
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeJSON(w, r, status, showPerson(p))
}

func (s *server) addPerson(w http.ResponseWriter, r *http.Request) {
	var in personIn
	if err := decode(w, r, &in); err != nil {
		s.fail(w, r, err)
		return
	}
	p := view.Person{Name: or(in.Name), Email: or(in.Email), Phone: or(in.Phone), Role: view.Role(or(in.Role)), Everything: or(in.All),
		Properties: or(in.Properties), Language: or(in.Language), Units: or(in.Units)}
	added, err := s.Source.AddPerson(r.Context(), p, or(in.Password), principal(r).Name)
	s.answerPerson(w, r, http.StatusCreated, added, err)
}

// or is what p points at, or the zero value.
func or[T any](p *T) (v T) {
	if p != nil {
		v = *p
	}
	return v
}

func (s *server) changePerson(w http.ResponseWriter, r *http.Request) {
	var in personIn
	if err := decode(w, r, &in); err != nil {
		s.fail(w, r, err)
		return
	}
	id := chi.URLParam(r, "id")
	if principal(r).Actor == "person "+id && (or(in.Disabled) || in.Role != nil) {
		s.fail(w, r, badf("nobody disables themselves or changes their own role"))
		return
	}
	p, err := s.Source.ChangePerson(r.Context(), id, view.PersonChange{
		Name: in.Name, Email: in.Email, Phone: in.Phone, Language: in.Language, Units: in.Units, Password: in.Password,
		Role: (*view.Role)(in.Role), Everything: in.All, Disabled: in.Disabled, Properties: in.Properties,
	}, principal(r).Name)
	s.answerPerson(w, r, http.StatusOK, p, err)
}

type sessionOut struct {
	ID        string  `json:"id"`
	Method    string  `json:"method"`
	CreatedAt *string `json:"created_at"`
	SeenAt    *string `json:"seen_at"`
	ExpiresAt *string `json:"expires_at"`
	Source    string  `json:"source"`
	Agent     string  `json:"agent"`
}

// me tells whoever asks what the service takes them for.
func (s *server) me(w http.ResponseWriter, r *http.Request) {
	p := principal(r)
	s.writeJSON(w, r, http.StatusOK, struct {
		Principal  string   `json:"principal"`
		Name       string   `json:"name"`
		Role       string   `json:"role"`
		All        bool     `json:"all_properties"`
		Properties []string `json:"properties"`
		Actions    []string `json:"actions,omitempty"`
		Units      string   `json:"units,omitempty"`
	}{p.Actor, p.Name, string(p.Role), p.Scope().All, orEmpty(p.Scope().IDs), p.Actions, p.Units})
}

func (s *server) mySessions(w http.ResponseWriter, r *http.Request) {
	found, err := s.Source.Sessions(r.Context(), principal(r))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out := make([]sessionOut, 0, len(found))
	for _, x := range found {
		out = append(out, sessionOut{x.ID, x.Method, stamp(x.CreatedAt), stamp(x.SeenAt), stamp(x.Expires), x.Source, x.Agent})
	}
	s.writeJSON(w, r, http.StatusOK, map[string][]sessionOut{"sessions": out})
}

func (s *server) endMySession(w http.ResponseWriter, r *http.Request) {
	s.done(w, r, s.Source.EndSessionOf(r.Context(), principal(r), chi.URLParam(r, "id")))
}

// done answers 204 to what was done.
func (s *server) done(w http.ResponseWriter, r *http.Request, err error) {
	if err != nil {
		s.fail(w, r, err)
		return
	}
	w.WriteHeader(http.StatusNoContent)
}

func (s *server) accessRoutes(r chi.Router) {
	r.Use(deadline(queryTimeout))
	people, tokens, self := s.may(view.ManagePeople), s.may(view.ManageTokens), s.may(view.Self)
	r.With(people).Get("/people", s.listPeople)
	r.With(people).Post("/people", s.addPerson)
	r.With(people).Get("/people/{id}", s.getPerson)
	r.With(people).Patch("/people/{id}", s.changePerson)
	r.With(self).Get("/me", s.me)
	r.With(self).Get("/me/sessions", s.mySessions)
	r.With(self).Delete("/me/sessions/{id}", s.endMySession)
	r.With(tokens).Get("/tokens", s.listTokens)
	r.With(tokens).Post("/tokens", s.createToken)
	r.With(tokens).Delete("/tokens/{id}", s.revokeToken)
	r.With(s.may(view.ReadAudit)).Get("/audit", s.listAudit)
	r.With(s.may(view.ReadService)).Get("/service", s.serviceCounts)
	gateways := s.may(view.ManageGateways)
	r.With(gateways).Post("/properties/{id}/gateways/{gateway}/password", s.issueGateway)
	r.With(gateways).Delete("/properties/{id}/gateways/{gateway}", s.revokeGateway)
}
