package api

import (
	"bufio"
	"fmt"
	"io"
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
	if prefersCSV(r) {
		s.streamCSV(w, r, asked)
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
	// A misspelt point must not look like one that is silent.
	if len(found) == 0 && !measures(p, asked.Point, asked.Quantity) {
		writeProblem(w, http.StatusNotFound, "property %s has no point %s that measures %s", p.ID, asked.Point, asked.Quantity)
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

func measures(p view.Property, point string, q site.Quantity) bool {
	return slices.ContainsFunc(p.Points, func(at site.Point) bool {
		return at.ID == point && slices.Contains(at.Measures, q)
	})
}

// prefersCSV is true when text/csv is named with a weight above that of JSON.
func prefersCSV(r *http.Request) bool { return prefers(r, "text/csv", "application/json") }

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

// csvChunk readings are held at a time, however long the period is.
const csvChunk = 5000

// streamCSV writes the whole period. The status has gone out with the first
// rows, so a failure further on cuts the connection: a client must not take a
// part for the whole.
func (s *server) streamCSV(w http.ResponseWriter, r *http.Request, asked readingsAsked) {
	found, err := s.Source.Readings(r.Context(), scope(r), asked.SeriesQuery, csvChunk)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	w.Header().Set("Cache-Control", "private, no-cache")
	w.Header().Add("Vary", "Authorization, Accept")
	w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=\"%s_%s_%s.csv\"", asked.Property, asked.Point, asked.Quantity))
	_, convert := shown(asked.Quantity, asked.system)
	out := bufio.NewWriterSize(w, 64<<10)
	_, _ = io.WriteString(out, "at,value\n")
	patience := http.NewResponseController(w)
	for {
		// As long as the client keeps reading, the stream may outlast the
		// server's own write timeout. A recorder in a test has none to move.
		_ = patience.SetWriteDeadline(time.Now().Add(time.Minute))
		writeRows(out, found, convert)
		if len(found) < csvChunk {
			break
		}
		asked.From = found[len(found)-1].At.Add(time.Microsecond)
		if found, err = s.Source.Readings(r.Context(), scope(r), asked.SeriesQuery, csvChunk); err != nil {
			s.Logger.ErrorContext(r.Context(), "csv stream", "property", asked.Property, "error", err)
			panic(http.ErrAbortHandler)
		}
	}
	_ = out.Flush() // the client may be gone
}

func writeRows(out *bufio.Writer, rows []view.Reading, convert func(float64) float64) {
	for _, row := range rows {
		line := row.At.UTC().AppendFormat(out.AvailableBuffer(), time.RFC3339Nano)
		line = append(line, ',')
		line = strconv.AppendFloat(line, convert(row.Value), 'g', -1, 64)
		line = append(line, '\n')
		_, _ = out.Write(line)
	}
}
