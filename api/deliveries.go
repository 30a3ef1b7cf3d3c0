package api

import (
	"io"
	"net/http"
	"net/url"

	"github.com/go-chi/chi/v5"

	"underkeep/api/view"
)

type deliveryOut struct {
	ID        string   `json:"id"`
	Property  *string  `json:"property"`
	Subject   string   `json:"subject"`
	Purpose   string   `json:"purpose"`
	Priority  *string  `json:"priority"`
	Step      int      `json:"step"`
	Channel   string   `json:"channel"`
	Recipient string   `json:"recipient"`
	Person    *string  `json:"person"`
	State     string   `json:"state"`
	CreatedAt *string  `json:"created_at"`
	DueAt     *string  `json:"due_at"`
	ExpiresAt *string  `json:"expires_at"`
	DoneAt    *string  `json:"done_at"`
	Attempts  int      `json:"attempts"`
	Outcome   string   `json:"outcome,omitempty"`
	SeenAt    *string  `json:"seen_at"`
	Tries     []tryOut `json:"tries,omitempty"`
}

type tryOut struct {
	BegunAt *string `json:"begun_at"`
	EndedAt *string `json:"ended_at"`
	Outcome string  `json:"outcome"`
	Detail  string  `json:"detail,omitempty"`
}

type channelOut struct {
	Channel   string  `json:"channel"`
	Sick      bool    `json:"sick"`
	Waiting   int     `json:"waiting"`
	Since     *string `json:"since"`
	SentAt    *string `json:"sent_at"`
	LastError string  `json:"last_error,omitempty"`
}

func showDelivery(d view.Delivery) deliveryOut {
	out := deliveryOut{ID: d.ID, Property: orNull(d.Property), Subject: d.Subject, Purpose: d.Purpose, Priority: orNull(d.Priority), Step: d.Step,
		Channel: d.Channel, Recipient: d.Recipient, Person: orNull(d.Person), State: d.State, CreatedAt: stamp(d.CreatedAt), DueAt: stamp(d.DueAt),
		ExpiresAt: stamp(d.ExpiresAt), DoneAt: stamp(d.DoneAt), Attempts: d.Attempts, Outcome: d.Outcome, SeenAt: stamp(d.SeenAt)}
	for _, t := range d.Tries {
		out.Tries = append(out.Tries, tryOut{stamp(t.BegunAt), stamp(t.EndedAt), t.Outcome, t.Detail})
	}
	return out
}

// deliveryRoutes are the manager's: recipients are other people's addresses.
func (s *server) deliveryRoutes(r chi.Router) {
	r.Use(s.may(view.ReadDeliveries), deadline(queryTimeout))
	r.Get("/deliveries", s.listDeliveries)
	r.Get("/deliveries/{id}", s.getDelivery)
	r.Post("/deliveries/{id}/retry", s.retryDelivery)
	r.Post("/people/{id}/test-message", s.sendTest)
	r.Get("/stopped-addresses", s.listStopped)
	r.Delete("/stopped-addresses/{address}", s.resumeAddress)
	r.Get("/routing", s.getRouting)
	r.Put("/routing", s.putRouting)
}

func (s *server) listDeliveries(w http.ResponseWriter, r *http.Request) {
	q := query(r, "property", "state", "cursor", "limit")
	ask := view.DeliveryQuery{Property: q.name("property", false), After: q.cursor(), Limit: q.limit(100, 500)}
	if st := q.text("state"); st != "" {
		ask.States = []string{st}
	}
	if q.err != nil {
		s.fail(w, r, q.err)
		return
	}
	found, next, err := s.Source.Deliveries(r.Context(), scope(r), ask)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	channels, err := s.Source.Channels(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out := make([]deliveryOut, 0, len(found))
	for _, d := range found {
		out = append(out, showDelivery(d))
	}
	health := make([]channelOut, 0, len(channels))
	for _, c := range channels {
		health = append(health, channelOut{c.Channel, c.Sick, c.Waiting, stamp(c.Since), stamp(c.SentAt), c.LastError})
	}
	s.writeJSON(w, r, http.StatusOK, struct {
		Deliveries []deliveryOut `json:"deliveries"`
		Channels   []channelOut  `json:"channels"`
		Next       *string       `json:"next,omitempty"`
	}{out, health, wrap(next)})
}

func (s *server) getDelivery(w http.ResponseWriter, r *http.Request) {
	d, err := s.Source.Delivery(r.Context(), scope(r), chi.URLParam(r, "id"))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeJSON(w, r, http.StatusOK, showDelivery(d))
}

func (s *server) retryDelivery(w http.ResponseWriter, r *http.Request) {
	d, err := s.Source.RetryDelivery(r.Context(), scope(r), chi.URLParam(r, "id"))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeJSON(w, r, http.StatusOK, showDelivery(d))
}

type routingOut struct {
	Document string  `json:"document"`
	SetAt    *string `json:"set_at"`
	SetBy    *string `json:"set_by"`
}

func (s *server) getRouting(w http.ResponseWriter, r *http.Request) {
	found, err := s.Source.Routing(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeJSON(w, r, http.StatusOK, routingOut{found.Document, stamp(found.SetAt), orNull(found.SetBy)})
}

func (s *server) putRouting(w http.ResponseWriter, r *http.Request) {
	if !principal(r).Scope().All {
		writeProblem(w, http.StatusForbidden, "a token that names properties may not change who is told of the others")
		return
	}
	document, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxFile))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	set, err := s.Source.SetRouting(r.Context(), document, principal(r).Name)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeJSON(w, r, http.StatusOK, routingOut{set.Document, stamp(set.SetAt), orNull(set.SetBy)})
}

// sendTest lets a manager see whether messages reach a person.
func (s *server) sendTest(w http.ResponseWriter, r *http.Request) {
	var in struct {
		Channel string `json:"channel"`
	}
	if err := decode(w, r, &in); err != nil {
		s.fail(w, r, err)
		return
	}
	if in.Channel != "mail" && in.Channel != "text" {
		s.fail(w, r, badf("channel: want mail or text"))
		return
	}
	d, err := s.Source.SendTest(r.Context(), chi.URLParam(r, "id"), in.Channel, principal(r).Name)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeJSON(w, r, http.StatusAccepted, showDelivery(d))
}

func (s *server) listStopped(w http.ResponseWriter, r *http.Request) {
	list, err := s.Source.StoppedAddresses(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	type addressOut struct {
		Address   string  `json:"address"`
		StoppedAt *string `json:"stopped_at"`
		How       string  `json:"how"`
	}
	out := make([]addressOut, 0, len(list))
	for _, a := range list {
		out = append(out, addressOut{a.Address, stamp(a.At), a.How})
	}
	s.writeJSON(w, r, http.StatusOK, map[string][]addressOut{"addresses": out})
}

func (s *server) resumeAddress(w http.ResponseWriter, r *http.Request) {
	address, err := url.PathUnescape(chi.URLParam(r, "address"))
	if err != nil {
		s.fail(w, r, view.ErrNotFound)
		return
	}
	s.done(w, r, s.Source.ResumeAddress(r.Context(), address, principal(r).Name))
}
