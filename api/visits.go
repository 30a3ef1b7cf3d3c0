package api

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"underkeep/api/photo"
	"underkeep/api/view"
	"underkeep/store/site"
	"underkeep/store/visit"
)

func (s *server) visitRoutes(r chi.Router) {
	r.Use(deadline(queryTimeout))
	read, record, plan := s.may(view.ReadVisits), s.may(view.RecordVisits), s.may(view.PlanVisits)
	r.With(read).Get("/visits", s.listVisits)
	r.With(plan).Post("/visits", s.planVisit)
	r.With(read).Get("/visits/{id}", s.getVisit)
	r.With(plan).Post("/visits/{id}/change", s.changeVisit)
	r.With(record).Post("/visits/{id}/start", s.startVisit)
	r.With(record).Post("/visits/{id}/findings", s.writeFindings(false))
	r.With(record).Post("/visits/{id}/sign-off", s.writeFindings(true))
	r.With(plan).Post("/visits/{id}/cancel", s.cancelVisit)
	r.With(record).Post("/visits/{id}/readings", s.addHandReading)
	r.With(record).Post("/visits/{id}/parts", s.addPart)
	r.With(record).Post("/visits/{id}/photos", s.addPhoto)
	r.With(read).Get("/photos/{id}", s.getPhoto)
	r.With(read).Get("/service-plan", s.servicePlan)
	r.With(read).Get("/properties/{id}/visits", s.listPropertyVisits)
	r.With(plan).Get("/properties/{id}/technicians", s.listTechnicians)
	r.With(read).Get("/properties/{id}/sensor-checks", s.listSensorChecks)
	r.With(record).Post("/properties/{id}/sensor-checks", s.addSensorCheck)
	r.With(read).Get("/properties/{id}/pump-tests", s.listPumpTests)
	r.With(record).Post("/properties/{id}/pump-tests", s.addPumpTest)
	r.With(plan).Post("/sensor-checks/{id}/withdraw", s.withdraw)
	r.With(plan).Post("/pump-tests/{id}/withdraw", s.withdraw)
}

// writer of a request; its Idempotency-Key makes a write safe to repeat.
func (s *server) writer(r *http.Request) (view.Writer, error) {
	key := r.Header.Get("Idempotency-Key")
	if len(key) > 200 {
		return view.Writer{}, badf("Idempotency-Key: at most 200 bytes")
	}
	return view.Writer{By: principal(r).Name, Key: key, At: s.Now().UTC()}, nil
}

func (p *params) visitQuery() view.VisitQuery {
	q := view.VisitQuery{Kind: visit.Kind(p.text("kind")), Crew: p.text("crew"), Area: p.text("area"), AssignedName: p.text("assigned"),
		After: p.cursor(), Limit: p.limit(100, 500)}
	for _, v := range p.values["state"] {
		q.States = append(q.States, visit.State(v))
	}
	if v := p.values.Get("due_by"); v != "" {
		d, err := site.ParseDate(v)
		if err != nil {
			p.bad("due_by: %s", err)
		}
		q.DueBy = &d
	}
	return q
}

func (s *server) listVisits(w http.ResponseWriter, r *http.Request) {
	q := query(r, "property", "state", "kind", "crew", "area", "assigned", "due_by", "cursor", "limit")
	ask := q.visitQuery()
	ask.Property = q.name("property", false)
	s.sendVisits(w, r, q.err, ask)
}

func (s *server) listPropertyVisits(w http.ResponseWriter, r *http.Request) {
	q := query(r, "state", "kind", "cursor", "limit")
	ask := q.visitQuery()
	ask.Property = chi.URLParam(r, "id")
	if q.err == nil {
		_, q.err = s.Source.Property(r.Context(), scope(r), ask.Property)
	}
	s.sendVisits(w, r, q.err, ask)
}

func (s *server) sendVisits(w http.ResponseWriter, r *http.Request, err error, ask view.VisitQuery) {
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if ask.Property != "" && !scope(r).Allows(ask.Property) {
		s.notFound(w, r)
		return
	}
	found, next, err := s.Source.Visits(r.Context(), scope(r), ask)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out := make([]visitOut, 0, len(found))
	for _, v := range found {
		out = append(out, showVisit(v, principal(r)))
	}
	s.writeJSON(w, r, http.StatusOK, struct {
		Visits []visitOut `json:"visits"`
		Next   *string    `json:"next,omitempty"`
	}{out, wrap(next)})
}

// sendVisit answers with a visit or with what went wrong.
func (s *server) sendVisit(w http.ResponseWriter, r *http.Request, status int, v visit.Record, err error) {
	if err != nil {
		s.fail(w, r, invalidBody(err))
		return
	}
	s.writeJSON(w, r, status, showRecord(v, principal(r)))
}

// invalidBody tells the sender what in the body cannot be meant.
func invalidBody(err error) error {
	if errors.Is(err, view.ErrInvalid) {
		text := err.Error()
		for _, cut := range []string{": " + view.ErrInvalid.Error(), view.ErrInvalid.Error() + ": ", "invalid: ", ": invalid"} {
			text = strings.ReplaceAll(text, cut, "")
		}
		return badf("%s", text)
	}
	return err
}

func (s *server) getVisit(w http.ResponseWriter, r *http.Request) {
	v, err := s.Source.Visit(r.Context(), scope(r), chi.URLParam(r, "id"))
	s.sendVisit(w, r, http.StatusOK, v, err)
}

type planIn struct {
	Property   string `json:"property"`
	Kind       string `json:"kind"`
	Origin     string `json:"origin"`
	Reason     string `json:"reason"`
	DueOn      string `json:"due_on"`
	Crew       string `json:"crew"`
	AssignedTo int32  `json:"assigned_to"`
	Alarm      string `json:"alarm"`
}

func (in planIn) plan() (visit.Plan, error) {
	p := visit.Plan{Property: in.Property, Kind: visit.Kind(in.Kind), Origin: visit.Origin(in.Origin), Reason: in.Reason, Crew: in.Crew,
		AssignedTo: in.AssignedTo, Alarm: in.Alarm}
	day, err := optionalDay("due_on", in.DueOn)
	p.DueOn = day
	return p, err
}

func optionalDay(name, text string) (*site.Date, error) {
	if text == "" {
		return nil, nil
	}
	d, err := site.ParseDate(text)
	if err != nil {
		return nil, badf("%s: %s", name, err)
	}
	return &d, nil
}

func (s *server) planVisit(w http.ResponseWriter, r *http.Request) {
	var in planIn
	by, err := s.writer(r)
	p := visit.Plan{}
	if err = firstError(err, decode(w, r, &in)); err == nil {
		p, err = in.plan()
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	v, err := s.Source.PlanVisit(r.Context(), scope(r), by, p)
	if err == nil {
		w.Header().Set("Location", "/v1/visits/"+v.ID)
	}
	s.sendVisit(w, r, http.StatusCreated, v, err)
}

type changeIn struct {
	Reason     *string `json:"reason"`
	DueOn      *string `json:"due_on"` // "": no day
	Crew       *string `json:"crew"`
	AssignedTo *int32  `json:"assigned_to"` // 0: nobody
	Note       string  `json:"note"`
}

func (s *server) changeVisit(w http.ResponseWriter, r *http.Request) {
	var in changeIn
	by, err := s.writer(r)
	err = firstError(err, decode(w, r, &in))
	c := visit.Change{Reason: in.Reason, Crew: in.Crew, AssignedTo: in.AssignedTo, Why: in.Note}
	if err == nil && in.DueOn != nil {
		c.DueOn, err = optionalDay("due_on", *in.DueOn)
		c.NoDay = c.DueOn == nil
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	v, err := s.Source.ChangeVisit(r.Context(), scope(r), by, chi.URLParam(r, "id"), c)
	s.sendVisit(w, r, http.StatusOK, v, err)
}

func (s *server) startVisit(w http.ResponseWriter, r *http.Request) {
	var in struct {
		Disturbs []visit.Disturbance `json:"disturbs"`
		ForS     float64             `json:"for_s"`
	}
	by, err := s.writer(r)
	if err = firstError(err, decode(w, r, &in)); err != nil {
		s.fail(w, r, err)
		return
	}
	if in.ForS < 0 || in.ForS > visit.LongestVisit.Seconds() {
		s.fail(w, r, badf("for_s: at most %.0f", visit.LongestVisit.Seconds()))
		return
	}
	v, err := s.Source.StartVisit(r.Context(), scope(r), by, chi.URLParam(r, "id"),
		visit.Start{Disturbs: in.Disturbs, For: time.Duration(in.ForS * float64(time.Second))})
	s.sendVisit(w, r, http.StatusOK, v, err)
}

func (s *server) writeFindings(signOff bool) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		var in struct {
			Findings string       `json:"findings"`
			Work     []visit.Work `json:"work"`
		}
		by, err := s.writer(r)
		if err = firstError(err, decode(w, r, &in)); err != nil {
			s.fail(w, r, err)
			return
		}
		write := s.Source.RecordFindings
		if signOff {
			write = s.Source.SignOff
		}
		v, err := write(r.Context(), scope(r), by, chi.URLParam(r, "id"), visit.Findings{Findings: in.Findings, Work: in.Work})
		s.sendVisit(w, r, http.StatusOK, v, err)
	}
}

func (s *server) cancelVisit(w http.ResponseWriter, r *http.Request) {
	why, by, err := s.noteOf(w, r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	v, err := s.Source.CancelVisit(r.Context(), scope(r), by, chi.URLParam(r, "id"), why)
	s.sendVisit(w, r, http.StatusOK, v, err)
}

// noteOf reads a body that is a reason.
func (s *server) noteOf(w http.ResponseWriter, r *http.Request) (string, view.Writer, error) {
	var in struct {
		Note string `json:"note"`
	}
	by, err := s.writer(r)
	err = firstError(err, decode(w, r, &in), checkNote(in.Note))
	if err == nil && strings.TrimSpace(in.Note) == "" {
		err = badf("note: say why")
	}
	return in.Note, by, err
}

func (s *server) addHandReading(w http.ResponseWriter, r *http.Request) {
	var in struct {
		Quantity visit.Quantity `json:"quantity"`
		Value    float64        `json:"value"`
		Unit     string         `json:"unit"`
		Place    string         `json:"place"`
		At       time.Time      `json:"at"`
		Remark   string         `json:"remark"`
	}
	by, err := s.writer(r)
	if err = firstError(err, decode(w, r, &in)); err != nil {
		s.fail(w, r, err)
		return
	}
	h := visit.HandReading{Quantity: in.Quantity, Value: in.Value, Place: in.Place, At: in.At, Remark: in.Remark}
	if in.Unit != "" {
		if h.Value, err = in.Quantity.Parse(fmt.Sprintf("%g %s", in.Value, in.Unit)); err != nil {
			s.fail(w, r, badf("%s", err))
			return
		}
	}
	v, err := s.Source.AddHandReading(r.Context(), scope(r), by, chi.URLParam(r, "id"), h)
	s.sendVisit(w, r, http.StatusCreated, v, err)
}

func (s *server) addPart(w http.ResponseWriter, r *http.Request) {
	in := struct {
		Part   string `json:"part"`
		Pieces int32  `json:"pieces"`
		Serial string `json:"serial"`
	}{Pieces: 1}
	by, err := s.writer(r)
	if err = firstError(err, decode(w, r, &in)); err != nil {
		s.fail(w, r, err)
		return
	}
	v, err := s.Source.AddPart(r.Context(), scope(r), by, chi.URLParam(r, "id"), visit.Part{Part: in.Part, Pieces: in.Pieces, Serial: in.Serial})
	s.sendVisit(w, r, http.StatusCreated, v, err)
}

// addPhoto takes the picture as the body. What the camera wrote beside it is
// not kept.
func (s *server) addPhoto(w http.ResponseWriter, r *http.Request) {
	q := query(r, "caption")
	caption := q.values.Get("caption")
	by, err := s.writer(r)
	if err = firstError(q.err, err, visit.CheckText("caption", caption, 500)); err != nil {
		s.fail(w, r, badf("%s", err))
		return
	}
	// Whoever may not write there is told before anything is decoded.
	if _, err := s.Source.Visit(r.Context(), scope(r), chi.URLParam(r, "id")); err != nil {
		s.fail(w, r, err)
		return
	}
	upload, err := io.ReadAll(http.MaxBytesReader(w, r.Body, photo.MaxBytes+1))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	clean, err := photo.Clean(upload)
	if err != nil {
		s.fail(w, r, badf("%s", err))
		return
	}
	p, err := s.Source.AddPhoto(r.Context(), scope(r), by, chi.URLParam(r, "id"), visit.Photo{Caption: caption, MediaType: photo.MediaType,
		Width: clean.Width, Height: clean.Height, Image: clean.Image, Thumb: clean.Thumb})
	if err != nil {
		s.fail(w, r, invalidBody(err))
		return
	}
	w.Header().Set("Location", "/v1/photos/"+p.ID)
	s.writeJSON(w, r, http.StatusCreated, showPhoto(p))
}

// getPhoto serves a picture that we encoded ourselves; it never changes.
func (s *server) getPhoto(w http.ResponseWriter, r *http.Request) {
	q := query(r, "size")
	size := q.text("size")
	if size != "" && size != "small" {
		q.bad("size: small, or left out")
	}
	if q.err != nil {
		s.fail(w, r, q.err)
		return
	}
	p, err := s.Source.Photo(r.Context(), scope(r), chi.URLParam(r, "id"))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	body := p.Image
	if size == "small" {
		body = p.Thumb
	}
	w.Header().Set("Cache-Control", "private, max-age=86400, immutable")
	w.Header().Set("Content-Disposition", `inline; filename="`+p.ID+`.jpg"`)
	sendTagged(w, r, http.StatusOK, p.MediaType, body)
}

func (s *server) listTechnicians(w http.ResponseWriter, r *http.Request) {
	found, err := s.Source.Assignable(r.Context(), scope(r), chi.URLParam(r, "id"))
	if err == nil && len(found) == 0 { // tells an unknown property from one that nobody is sent to
		_, err = s.Source.Property(r.Context(), scope(r), chi.URLParam(r, "id"))
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out := make([]personOut, 0, len(found))
	for _, a := range found {
		out = append(out, personOut{a.Person, a.Name})
	}
	s.writeJSON(w, r, http.StatusOK, map[string]any{"technicians": out})
}

func (s *server) withdraw(w http.ResponseWriter, r *http.Request) {
	why, by, err := s.noteOf(w, r)
	if err == nil {
		err = s.Source.Withdraw(r.Context(), scope(r), by, chi.URLParam(r, "id"), why)
	}
	if err != nil {
		s.fail(w, r, invalidBody(err))
		return
	}
	w.WriteHeader(http.StatusNoContent)
}
