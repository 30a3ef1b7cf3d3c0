package api

import (
	"context"
	"fmt"
	"net/http"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"underkeep/api/view"
	"underkeep/api/warranty"
	"underkeep/api/warranty/report"
	"underkeep/store/site"
)

func (s *server) warrantyRoutes(r chi.Router) {
	read := s.may(view.Read)
	r.With(read, deadline(verdictTimeout)).Get("/properties/{id}/conditions", s.getConditions)
	r.With(read, deadline(verdictTimeout)).Get("/properties/{id}/report", s.getReport)
	r.With(read, deadline(verdictTimeout)).Get("/properties/{id}/evidence", s.getEvidence)
	r.Group(func(r chi.Router) {
		r.Use(deadline(queryTimeout))
		r.With(read).Get("/properties/{id}/terms", s.listAssigned)
		r.With(s.may(view.SetTerms)).Post("/properties/{id}/terms", s.assignTerms)
		r.With(read).Get("/properties/{id}/outages", s.listOutages)
		r.With(s.may(view.ReportOutage)).Post("/properties/{id}/outages", s.reportOutage)
		r.With(read).Get("/warranty-terms", s.listTerms)
		r.With(s.may(view.SetTerms)).Post("/warranty-terms", s.addTerms)
	})
}

// verdictTimeout: years of readings are read for one verdict.
const verdictTimeout = time.Minute

// period and property that a request names.
func (s *server) period(r *http.Request) (p view.Property, first, after site.Date, err error) {
	q := query(r, "from", "to")
	if q.err != nil {
		return p, first, after, q.err
	}
	if p, err = s.property(r); err != nil {
		return p, first, after, err
	}
	// A plus sign that was not escaped arrives as a space.
	from, to := strings.Replace(q.text("from"), " ", "+", 1), strings.Replace(q.text("to"), " ", "+", 1)
	if q.err != nil {
		return p, first, after, q.err
	}
	if first, after, err = warranty.ParsePeriod(from, to, &p.Property, s.Now()); err != nil {
		return p, first, after, badf("%s", err)
	}
	return p, first, after, nil
}

// verdict on the property and period that a request names.
func (s *server) verdict(r *http.Request) (warranty.Verdict, view.Property, error) {
	p, first, after, err := s.period(r)
	if err != nil {
		return warranty.Verdict{}, p, err
	}
	v, err := Verdict(r.Context(), s.Source, scope(r), p.ID, first, after)
	return v, p, err
}

// Verdict on a property for the days from from to the day before to.
func Verdict(ctx context.Context, source view.Conditions, scope view.Scope, property string, from, to site.Date) (warranty.Verdict, error) {
	in, err := source.ConditionsInput(ctx, scope, property, from, to)
	if err != nil {
		return warranty.Verdict{}, err
	}
	return warranty.Judge(in)
}

func (s *server) getConditions(w http.ResponseWriter, r *http.Request) {
	if prefers(r, "application/pdf", "application/json") {
		s.getReport(w, r)
		return
	}
	v, _, err := s.verdict(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeJSON(w, r, http.StatusOK, v)
}

func (s *server) getReport(w http.ResponseWriter, r *http.Request) {
	v, p, err := s.verdict(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	pdf, err := report.PDF(report.Input{Verdict: v, Name: p.Name, Zone: p.Zone()})
	if err != nil {
		s.fail(w, r, fmt.Errorf("report on %s: %w", p.ID, err))
		return
	}
	w.Header().Set("Cache-Control", "private, no-cache")
	w.Header().Add("Vary", "Authorization, Accept")
	w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", report.FileName(v)))
	sendTagged(w, r, http.StatusOK, "application/pdf", pdf)
}

type termsOut struct {
	Terms     string  `json:"terms"`
	Version   int     `json:"version"`
	Title     string  `json:"title"`
	Effective *string `json:"effective"`
	Shipped   bool    `json:"shipped"`
	AddedAt   *string `json:"added_at"`
	AddedBy   *string `json:"added_by"`
	File      string  `json:"file"`
}

func showTerms(v view.TermsVersion) termsOut {
	out := termsOut{Terms: v.Name, Version: v.Version, Title: v.Title, Shipped: v.Shipped, AddedAt: stamp(v.AddedAt), AddedBy: orNull(v.AddedBy), File: string(v.File)}
	if v.Effective != (site.Date{}) {
		day := v.Effective.String()
		out.Effective = &day
	}
	return out
}

func (s *server) listTerms(w http.ResponseWriter, r *http.Request) {
	if err := query(r).err; err != nil {
		s.fail(w, r, err)
		return
	}
	sets, err := s.Source.TermsSets(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out := make([]termsOut, len(sets))
	for i, v := range sets {
		out[i] = showTerms(v)
	}
	s.writeJSON(w, r, http.StatusOK, struct {
		Terms []termsOut `json:"terms"`
	}{out})
}

func (s *server) addTerms(w http.ResponseWriter, r *http.Request) {
	file, err := propertyFile(w, r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	v, err := s.Source.AddTerms(r.Context(), file, principal(r).Name, s.Now())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeJSON(w, r, http.StatusCreated, showTerms(v))
}

type assignedOut struct {
	From       string  `json:"from"`
	Terms      string  `json:"terms"`
	Origin     string  `json:"origin"`
	AssignedAt *string `json:"assigned_at"`
	AssignedBy *string `json:"assigned_by"`
}

func (s *server) listAssigned(w http.ResponseWriter, r *http.Request) {
	p, err := s.property(r)
	if err == nil {
		err = query(r).err
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.showAssigned(w, r, http.StatusOK, p.ID)
}

func (s *server) showAssigned(w http.ResponseWriter, r *http.Request, status int, property string) {
	found, err := s.Source.TermsAssigned(r.Context(), scope(r), property)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out := make([]assignedOut, len(found))
	for i, a := range found {
		out[i] = assignedOut{a.From.String(), a.Terms, a.Origin, stamp(a.AssignedAt), orNull(a.AssignedBy)}
	}
	s.writeJSON(w, r, status, struct {
		Assigned []assignedOut `json:"assigned"`
	}{out})
}

func (s *server) assignTerms(w http.ResponseWriter, r *http.Request) {
	var body struct {
		Terms string `json:"terms"`
		From  string `json:"from"`
	}
	p, err := s.property(r)
	if err == nil {
		err = decode(w, r, &body)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	from, err := site.ParseDate(body.From)
	if err != nil {
		s.fail(w, r, badf("from: %s", err))
		return
	}
	a := view.TermsAssignment{From: from, Terms: body.Terms, Origin: "desk", AssignedAt: s.Now(), AssignedBy: principal(r).Name}
	if err := s.Source.AssignTerms(r.Context(), scope(r), p.ID, a); err != nil {
		s.fail(w, r, err)
		return
	}
	s.showAssigned(w, r, http.StatusCreated, p.ID)
}

func (s *server) listOutages(w http.ResponseWriter, r *http.Request) {
	q := query(r, "from", "to")
	now := s.Now().UTC()
	to := q.timeOr("to", now)
	from := q.timeOr("from", to.AddDate(-1, 0, 0))
	p, err := s.property(r)
	if err == nil {
		err = q.err
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	found, err := s.Source.Outages(r.Context(), scope(r), p.ID, from, to)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if found == nil {
		found = []warranty.Outage{}
	}
	s.writeJSON(w, r, http.StatusOK, struct {
		Outages []warranty.Outage `json:"outages"`
	}{found})
}

func (s *server) reportOutage(w http.ResponseWriter, r *http.Request) {
	var body struct {
		From time.Time `json:"from"`
		To   time.Time `json:"to"`
		Note string    `json:"note"`
	}
	p, err := s.property(r)
	if err == nil {
		err = decode(w, r, &body)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if len(body.Note) > 500 {
		s.fail(w, r, badf("note: %d bytes are more than 500", len(body.Note)))
		return
	}
	o := warranty.Outage{From: body.From.UTC(), To: body.To.UTC(), Note: body.Note, ReportedAt: s.Now().UTC(), By: principal(r).Name}
	done, err := s.Source.ReportOutage(r.Context(), scope(r), p.ID, o)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeJSON(w, r, http.StatusCreated, done)
}
