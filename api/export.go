package api

import (
	"bufio"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"time"

	"underkeep/api/view"
	"underkeep/store/site"
)

// exportType is the media type of a whole period asked for; "" when a page of
// JSON will do.
func exportType(r *http.Request) string {
	for _, kind := range []string{"text/csv", ndjson} {
		if prefers(r, kind, "application/json") {
			return kind
		}
	}
	return ""
}

const ndjson = "application/x-ndjson"

// streamReadings writes the whole period in memory that does not grow with it.
// The status has gone out with the first rows, so a failure further on cuts the
// connection: a client must not take a part for the whole.
func (s *server) streamReadings(w http.ResponseWriter, r *http.Request, p view.Property, asked readingsAsked, kind string) {
	out := newExport(w, kind, asked.Quantity, asked.system)
	patience := http.NewResponseController(w)
	begun := false
	err := s.Source.EachRun(r.Context(), scope(r), asked.SeriesQuery, func(at []int64, values []float64) error {
		if !begun {
			begun = true
			exportHeader(w, asked, kind)
			out.begin()
		}
		// As long as the client keeps reading, the stream may outlast the
		// server's own write timeout. A recorder in a test has none to move.
		_ = patience.SetWriteDeadline(time.Now().Add(time.Minute))
		return out.rows(at, values)
	})
	switch {
	case err != nil && !begun:
		s.fail(w, r, err)
		return
	case err != nil:
		s.Logger.ErrorContext(r.Context(), "stream of readings", "property", asked.Property, "error", err)
		panic(http.ErrAbortHandler)
	case !begun && noSuchSeries(w, p, asked):
		return
	case !begun:
		exportHeader(w, asked, kind)
		out.begin()
	}
	_ = out.to.Flush() // the client may be gone
}

func exportHeader(w http.ResponseWriter, asked readingsAsked, kind string) {
	h, ext := w.Header(), "csv"
	h.Set("Content-Type", "text/csv; charset=utf-8")
	if kind == ndjson {
		h.Set("Content-Type", ndjson)
		ext = "ndjson"
	}
	h.Set("Cache-Control", "private, no-cache")
	h.Add("Vary", "Authorization, Accept")
	h.Set("Content-Disposition", fmt.Sprintf("attachment; filename=\"%s_%s_%s.%s\"", asked.Property, asked.Point, asked.Quantity, ext))
}

// export appends rows to a buffer, without anything made for a single row.
type export struct {
	to      *bufio.Writer
	json    bool
	convert func(float64) float64
	day     int64 // number of the day whose date is in date; -1 none
	date    []byte
}

func newExport(w io.Writer, kind string, q site.Quantity, system site.UnitSystem) *export {
	_, convert := shown(q, system)
	return &export{to: bufio.NewWriterSize(w, 64<<10), json: kind == ndjson, convert: convert, day: -1}
}

func (e *export) begin() {
	if !e.json {
		_, _ = io.WriteString(e.to, "at,value\n") // an error stays with the writer
	}
}

// rows takes times in Unix µs.
func (e *export) rows(at []int64, values []float64) (err error) {
	for i, t := range at {
		line := e.to.AvailableBuffer()
		if e.json {
			line = append(line, `{"at":"`...)
		}
		line = e.appendTime(line, t)
		if e.json {
			line = append(line, `","value":`...)
		} else {
			line = append(line, ',')
		}
		line = strconv.AppendFloat(line, e.convert(values[i]), 'g', -1, 64)
		if e.json {
			line = append(line, '}')
		}
		if _, err = e.to.Write(append(line, '\n')); err != nil {
			return fmt.Errorf("write readings: %w", err)
		}
	}
	return nil
}

const dayMicros = 24 * 3600 * 1e6

// appendTime writes a time as time.RFC3339Nano does in UTC; the date is worked
// out once a day.
func (e *export) appendTime(b []byte, us int64) []byte {
	day := us / dayMicros
	rest := us - day*dayMicros
	if rest < 0 { // before 1970
		day, rest = day-1, rest+dayMicros
	}
	if day != e.day || e.date == nil {
		e.day, e.date = day, time.UnixMicro(day*dayMicros).UTC().AppendFormat(e.date[:0], "2006-01-02T")
	}
	b = append(b, e.date...)
	two := func(n int64, end byte) { b = append(b, byte('0'+n/10), byte('0'+n%10), end) }
	s := rest / 1e6
	two(s/3600, ':')
	two(s/60%60, ':')
	two(s%60, 'Z')
	if fraction := rest % 1e6; fraction != 0 {
		b[len(b)-1] = '.'
		for digit := int64(1e5); fraction > 0; digit /= 10 {
			b = append(b, byte('0'+fraction/digit))
			fraction %= digit
		}
		b = append(b, 'Z')
	}
	return b
}
