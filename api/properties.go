package api

import (
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/url"

	"github.com/go-chi/chi/v5"

	"underkeep/api/view"
	"underkeep/store/site"
)

type propertyOut struct {
	Property     string    `json:"property"`
	Name         string    `json:"name"`
	Area         string    `json:"area,omitempty"`
	Timezone     string    `json:"timezone"`
	Units        string    `json:"units"`
	Installed    string    `json:"installed"`
	LastReceived *string   `json:"last_received"`
	Owner        *ownerOut `json:"owner,omitempty"`
	Status       statusOut `json:"status"`
}

type ownerOut struct {
	Name  string `json:"name,omitempty"`
	Email string `json:"email,omitempty"`
	Phone string `json:"phone,omitempty"`
}

type statusOut struct {
	Priority   string `json:"priority"`
	OpenAlarms int    `json:"open_alarms"`
	// Regional events that its open alarms are part of.
	Regional []string `json:"regional_events"`
}

type propertyDetail struct {
	propertyOut
	Points []pointOut `json:"points"`
	Alarms []alarmOut `json:"alarms"`
}

type pointOut struct {
	Point    string       `json:"point"`
	Outdoors bool         `json:"outdoors,omitempty"`
	Surface  string       `json:"surface,omitempty"`
	EveryS   float64      `json:"every_s,omitempty"`
	Measures []measureOut `json:"measures"`
}

type measureOut struct {
	Quantity string   `json:"quantity"`
	Unit     string   `json:"unit,omitempty"`
	At       *string  `json:"at,omitempty"`
	Value    *float64 `json:"value,omitempty"`
}

func showProperty(p view.Property, to view.Principal) propertyOut {
	out := propertyOut{
		Property: p.ID, Name: p.Name, Area: p.Area, Timezone: p.Timezone, Units: string(p.Units),
		Installed:    fmt.Sprintf("%04d-%02d-%02d", p.Installed.Year, p.Installed.Month, p.Installed.Day),
		LastReceived: stamp(p.LastReceived),
		Status:       statusOut{Priority: "none", OpenAlarms: p.Holding(), Regional: p.RegionalEvents()},
	}
	if p.Priority() > 0 {
		out.Status.Priority = p.Priority().String()
	}
	if to.May(view.SeeOwner) && p.Owner != (site.Owner{}) {
		out.Owner = &ownerOut{p.Owner.Name, p.Owner.Email, p.Owner.Phone}
	}
	return out
}

func (s *server) listProperties(w http.ResponseWriter, r *http.Request) {
	q := query(r, "q", "area", "cursor", "limit")
	ask := view.PropertyQuery{Search: q.text("q"), Area: q.text("area"), After: q.cursor(), Limit: q.limit(100, 500)}
	if q.err != nil {
		s.fail(w, r, q.err)
		return
	}
	found, next, err := s.Source.Properties(r.Context(), scope(r), ask)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out := make([]propertyOut, 0, len(found))
	for _, p := range found {
		out = append(out, showProperty(p, principal(r)))
	}
	s.writeJSON(w, r, http.StatusOK, struct {
		Properties []propertyOut `json:"properties"`
		Next       *string       `json:"next,omitempty"`
	}{out, wrap(next)})
}

func (s *server) getProperty(w http.ResponseWriter, r *http.Request) {
	q := query(r, "units")
	system := q.units()
	if q.err != nil {
		s.fail(w, r, q.err)
		return
	}
	p, err := s.property(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	latest, err := s.Source.Latest(r.Context(), scope(r), p.ID)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out := propertyDetail{propertyOut: showProperty(p, principal(r)), Alarms: showAlarms(p.Open)}
	out.Points = showPoints(p.Points, latest, system)
	s.writeJSON(w, r, http.StatusOK, out)
}

// property of the path; a name that cannot be one is answered like an unknown one.
func (s *server) property(r *http.Request) (view.Property, error) {
	id := chi.URLParam(r, "id")
	if !namePattern.MatchString(id) {
		return view.Property{}, view.ErrNotFound
	}
	return s.Source.Property(r.Context(), scope(r), id)
}

func showPoints(points []site.Point, latest []view.Latest, system site.UnitSystem) []pointOut {
	type series struct {
		point    string
		quantity site.Quantity
	}
	newest := make(map[series]view.Reading, len(latest))
	for _, l := range latest {
		newest[series{l.Point, l.Quantity}] = l.Reading
	}
	out := make([]pointOut, 0, len(points))
	for _, p := range points {
		o := pointOut{Point: p.ID, Outdoors: p.Outdoors, Surface: p.Surface, EveryS: p.Every.Seconds(), Measures: []measureOut{}}
		for _, q := range p.Measures {
			unit, convert := shown(q, system)
			m := measureOut{Quantity: q.String(), Unit: unit}
			if reading, ok := newest[series{p.ID, q}]; ok {
				v := convert(reading.Value)
				m.At, m.Value = stamp(reading.At), &v
			}
			o.Measures = append(o.Measures, m)
		}
		out = append(out, o)
	}
	return out
}

func (s *server) registerProperty(w http.ResponseWriter, r *http.Request) {
	file, err := propertyFile(w, r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if !principal(r).Scope().All {
		writeProblem(w, http.StatusForbidden, "a token that names properties may not add or change any")
		return
	}
	p, created, err := s.Source.Register(r.Context(), file, principal(r).Name)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	status := http.StatusOK
	if created {
		status = http.StatusCreated
		w.Header().Set("Location", "/v1/properties/"+url.PathEscape(p.ID))
	}
	s.writeJSON(w, r, status, showProperty(p, principal(r)))
}

var fileTypes = map[string]bool{
	"": true, "application/yaml": true, "application/x-yaml": true, "text/yaml": true, "text/x-yaml": true,
	"text/plain": true, "application/octet-stream": true,
	// What curl --data-binary sends when nobody says otherwise.
	"application/x-www-form-urlencoded": true,
}

func propertyFile(w http.ResponseWriter, r *http.Request) ([]byte, error) {
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if r.Header.Get("Content-Type") != "" && (err != nil || !fileTypes[kind]) {
		return nil, badf("a property file is expected, Content-Type: application/yaml")
	}
	file, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxFile))
	var tooLarge *http.MaxBytesError
	switch {
	case errors.As(err, &tooLarge):
		return nil, err
	case err != nil:
		return nil, badf("body: %s", err)
	case len(file) == 0:
		return nil, badf("body: a property file is expected")
	}
	return file, nil
}

type gatewayOut struct {
	Gateway      string  `json:"gateway"`
	Presence     string  `json:"presence"`
	LastReceived *string `json:"last_received"`
}

func (s *server) listGateways(w http.ResponseWriter, r *http.Request) {
	q := query(r)
	p, err := s.property(r)
	if err = errors.Join(q.err, err); err != nil {
		s.fail(w, r, err)
		return
	}
	found, err := s.Source.Gateways(r.Context(), scope(r), p.ID)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out := make([]gatewayOut, 0, len(found))
	for _, g := range found {
		out = append(out, gatewayOut{g.ID, g.Presence, stamp(g.LastReceived)})
	}
	s.writeJSON(w, r, http.StatusOK, map[string]any{"gateways": out})
}

type limitOut struct {
	Condition string  `json:"condition"`
	Limit     string  `json:"limit"`
	Means     string  `json:"means"`
	Watched   bool    `json:"watched"`
	Value     float64 `json:"value"`
	Default   float64 `json:"default"`
	Unit      string  `json:"unit"`
}

func (s *server) listLimits(w http.ResponseWriter, r *http.Request) {
	q := query(r)
	p, err := s.property(r)
	if err = errors.Join(q.err, err); err != nil {
		s.fail(w, r, err)
		return
	}
	var out []limitOut
	for _, l := range site.LimitSpecs() {
		out = append(out, limitOut{
			Condition: string(l.Condition), Limit: l.Param, Means: l.Means,
			Watched: p.Limits.Enabled(l.Condition), Value: p.Limits.Value(l.Condition, l.Param),
			Default: l.Default, Unit: insideUnits[l.Dimension],
		})
	}
	s.writeJSON(w, r, http.StatusOK, map[string]any{"limits": out})
}
