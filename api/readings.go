package api

import (
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"underkeep/api/view"
	"underkeep/store/site"
)

type readingOut struct {
	At    string  `json:"at"`
	Value float64 `json:"value"`
}

type readingPage struct {
	Unit     string       `json:"unit,omitempty"`
	Readings []readingOut `json:"readings"`
	Next     *string      `json:"next,omitempty"`
}

// readingsAsked is one request for a series.
type readingsAsked struct {
	view.SeriesQuery
	system site.UnitSystem
	limit  int
}

func (s *server) listReadings(w http.ResponseWriter, r *http.Request) {
	asked, err := s.askReadings(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	p, err := s.property(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	asked.Property = p.ID
	if kind := exportType(r); kind != "" {
		s.streamReadings(w, r, p, asked, kind)
		return
	}
	s.pageReadings(w, r, p, asked)
}

func (s *server) askReadings(r *http.Request) (readingsAsked, error) {
	q := query(r, "point", "quantity", "from", "to", "units", "cursor", "limit")
	now := s.Now().UTC()
	var a readingsAsked
	a.Point, a.Quantity = q.name("point", true), q.quantity("quantity")
	a.To = q.timeOr("to", now)
	a.From = q.timeOr("from", a.To.Add(-24*time.Hour))
	a.system, a.limit = q.units(), q.limit(1000, 10000)
	if position := q.cursor(); position != "" {
		a.From = q.resume(position, a.From)
	}
	if q.err == nil && a.From.After(a.To) {
		q.bad("from is later than to")
	}
	return a, q.err
}

// resume continues just after the last reading of the page before: times are
// whole microseconds and unique in a series, so nothing is told twice and what
// arrives later in between does not shift the page.
func (p *params) resume(position string, from time.Time) time.Time {
	us, err := strconv.ParseInt(position, 10, 64)
	if err != nil {
		p.bad("cursor is not one that this list gave out")
		return from
	}
	return time.UnixMicro(us + 1).UTC()
}

func (s *server) pageReadings(w http.ResponseWriter, r *http.Request, p view.Property, asked readingsAsked) {
	found, err := s.Source.Readings(r.Context(), scope(r), asked.SeriesQuery, asked.limit+1)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if len(found) == 0 && noSuchSeries(w, p, asked) {
		return
	}
	unit, convert := shown(asked.Quantity, asked.system)
	out := readingPage{Unit: unit, Readings: make([]readingOut, 0, len(found))}
	if len(found) > asked.limit {
		found = found[:asked.limit]
		out.Next = wrap(strconv.FormatInt(found[len(found)-1].At.UnixMicro(), 10))
	}
	for _, f := range found {
		out.Readings = append(out.Readings, readingOut{f.At.UTC().Format(time.RFC3339Nano), convert(f.Value)})
	}
	s.writeJSON(w, r, http.StatusOK, out)
}

// noSuchSeries answers for a series that was never described: a misspelt point
// must not look like one that is silent.
func noSuchSeries(w http.ResponseWriter, p view.Property, asked readingsAsked) bool {
	if measures(p, asked.Point, asked.Quantity) {
		return false
	}
	writeProblem(w, http.StatusNotFound, "property %s has no point %s that measures %s", p.ID, asked.Point, asked.Quantity)
	return true
}

func measures(p view.Property, point string, q site.Quantity) bool {
	return slices.ContainsFunc(p.Points, func(at site.Point) bool {
		return at.ID == point && slices.Contains(at.Measures, q)
	})
}

// prefers is true when the first media type is named in Accept with a weight
// that is not under that of the second.
func prefers(r *http.Request, first, second string) bool {
	a, b := 0.0, 0.0
	for part := range strings.SplitSeq(r.Header.Get("Accept"), ",") {
		kind, rest, _ := strings.Cut(part, ";")
		weight := 1.0
		if _, q, ok := strings.Cut(rest, "q="); ok {
			if w, err := strconv.ParseFloat(strings.TrimSpace(q), 64); err == nil {
				weight = w
			}
		}
		switch strings.ToLower(strings.TrimSpace(kind)) {
		case first:
			a = weight
		case second:
			b = weight
		}
	}
	return a > 0 && a >= b
}
