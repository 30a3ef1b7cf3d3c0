package api

import (
	"net/http"
	"strconv"
	"time"

	"github.com/go-chi/chi/v5"

	"underkeep/api/view"
	"underkeep/store/visit"
)

func (p *params) records(property string) view.RecordQuery {
	return view.RecordQuery{Property: property, From: p.timeOr("from", time.Time{}), To: p.timeOr("to", time.Time{}), Withdrawn: p.flag("withdrawn")}
}

func (s *server) listSensorChecks(w http.ResponseWriter, r *http.Request) {
	q := query(r, "from", "to", "withdrawn")
	ask := q.records(chi.URLParam(r, "id"))
	if q.err != nil {
		s.fail(w, r, q.err)
		return
	}
	found, err := s.Source.SensorChecks(r.Context(), scope(r), ask)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out := make([]checkOut, 0, len(found))
	for _, c := range found {
		out = append(out, showCheck(c, principal(r)))
	}
	s.writeJSON(w, r, http.StatusOK, map[string]any{"sensor_checks": out})
}

func (s *server) addSensorCheck(w http.ResponseWriter, r *http.Request) {
	var in struct {
		Visit       string    `json:"visit"`
		Point       string    `json:"point"`
		Salt        string    `json:"salt"`
		TempC       float64   `json:"temp_c"`
		ReadPct     float64   `json:"read_pct"`
		At          time.Time `json:"at"`
		Serial      string    `json:"serial"`
		AccuracyPct float64   `json:"accuracy_pct"`
		Remark      string    `json:"remark"`
	}
	by, err := s.writer(r)
	if err = firstError(err, decode(w, r, &in)); err != nil {
		s.fail(w, r, err)
		return
	}
	c, err := s.Source.AddSensorCheck(r.Context(), scope(r), by, chi.URLParam(r, "id"), in.Visit, visit.SensorCheck{At: in.At.UTC(), Point: in.Point,
		Serial: in.Serial, Salt: in.Salt, TempC: in.TempC, ReadPct: in.ReadPct, AccuracyPct: in.AccuracyPct, Remark: in.Remark})
	if err != nil {
		s.fail(w, r, invalidBody(err))
		return
	}
	s.writeJSON(w, r, http.StatusCreated, showCheck(c, principal(r)))
}

func (s *server) listPumpTests(w http.ResponseWriter, r *http.Request) {
	q := query(r, "from", "to", "withdrawn")
	ask := q.records(chi.URLParam(r, "id"))
	if q.err != nil {
		s.fail(w, r, q.err)
		return
	}
	found, err := s.Source.PumpTests(r.Context(), scope(r), ask)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out := make([]testOut, 0, len(found))
	for _, t := range found {
		out = append(out, showTest(t, principal(r)))
	}
	s.writeJSON(w, r, http.StatusOK, map[string]any{"pump_tests": out})
}

func (s *server) addPumpTest(w http.ResponseWriter, r *http.Request) {
	var in struct {
		Visit     string    `json:"visit"`
		Pump      string    `json:"pump"`
		Method    string    `json:"method"`
		Ran       bool      `json:"ran"`
		PouredL   float64   `json:"poured_l"`
		DrawDownS float64   `json:"draw_down_s"`
		At        time.Time `json:"at"`
		Remark    string    `json:"remark"`
	}
	by, err := s.writer(r)
	if err = firstError(err, decode(w, r, &in)); err != nil {
		s.fail(w, r, err)
		return
	}
	t, err := s.Source.AddPumpTest(r.Context(), scope(r), by, chi.URLParam(r, "id"), in.Visit, visit.PumpTest{At: in.At.UTC(), Pump: in.Pump,
		Method: in.Method, Ran: in.Ran, PouredL: in.PouredL, DrawDownS: in.DrawDownS, Remark: in.Remark})
	if err != nil {
		s.fail(w, r, invalidBody(err))
		return
	}
	s.writeJSON(w, r, http.StatusCreated, showTest(t, principal(r)))
}

type dueOut struct {
	Property string   `json:"property"`
	Name     string   `json:"name"`
	Area     string   `json:"area,omitempty"`
	Task     string   `json:"task"`
	Points   []string `json:"points,omitempty"`
	DueOn    string   `json:"due_on"`
	Days     int      `json:"days"`
	Overdue  bool     `json:"overdue"`
	Since    *string  `json:"since"`
	Wet      bool     `json:"wet_season,omitempty"`
	Visit    *string  `json:"visit"`
}

// servicePlan lists what is due within some days.
func (s *server) servicePlan(w http.ResponseWriter, r *http.Request) {
	q := query(r, "property", "area", "within", "order", "cursor", "limit")
	ask := view.ServiceQuery{Property: q.name("property", false), Area: q.text("area"), Within: q.days("within", 30), ByArea: q.text("order") == "area",
		After: q.cursor(), Limit: q.limit(100, 500)}
	if o := q.text("order"); o != "" && o != "area" && o != "urgency" {
		q.bad("order: urgency or area")
	}
	if q.err != nil {
		s.fail(w, r, q.err)
		return
	}
	found, next, err := s.Source.ServicePlan(r.Context(), scope(r), ask)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out := make([]dueOut, 0, len(found))
	for _, d := range found {
		out = append(out, dueOut{Property: d.Property, Name: d.Name, Area: d.Area, Task: string(d.Task), Points: d.Points, DueOn: d.On.String(),
			Days: d.Days, Overdue: d.Overdue(), Since: stamp(d.Since), Wet: d.Wet, Visit: orNull(d.Visit)})
	}
	s.writeJSON(w, r, http.StatusOK, struct {
		Due  []dueOut `json:"due"`
		Next *string  `json:"next,omitempty"`
	}{out, wrap(next)})
}

// days reads a whole number of days, at most two years.
func (p *params) days(name string, normal int) int {
	v := p.values.Get(name)
	if v == "" {
		return normal
	}
	n, err := strconv.Atoi(v)
	if err != nil || n < 0 || n > 731 {
		p.bad("%s: a whole number of days from 0 to 731 is needed", name)
	}
	return n
}
