package api

import (
	"cmp"
	"math"
	"net/http"
	"strconv"
	"time"

	"underkeep/api/view"
)

// stepsOf a series for a chart, with the longest period that each may cover: a
// year of hours and some days, ten years of days.
var stepsOf = map[string]struct{ width, most time.Duration }{
	"1h": {time.Hour, 400 * 24 * time.Hour},
	"1d": {24 * time.Hour, 3660 * 24 * time.Hour},
}

// series sums readings up by the hour or the day, for charts.
func (s *server) series(w http.ResponseWriter, r *http.Request) {
	q := query(r, "point", "quantity", "from", "to", "step", "units")
	now := s.Now().UTC()
	a := readingsAsked{SeriesQuery: view.SeriesQuery{Point: q.name("point", true), Quantity: q.quantity("quantity")}, system: q.units()}
	step, known := stepsOf[cmp.Or(q.text("step"), "1h")]
	a.To = q.timeOr("to", now)
	a.From = q.timeOr("from", a.To.Add(-7*24*time.Hour)).Truncate(time.Second)
	switch {
	case q.err != nil:
	case !known:
		q.bad("step: want 1h or 1d")
	case a.From.After(a.To):
		q.bad("from is later than to")
	case a.To.Sub(a.From) > step.most:
		q.bad("a series by this step covers at most %d days", int(step.most.Hours()/24))
	}
	if q.err != nil {
		s.fail(w, r, q.err)
		return
	}
	p, err := s.property(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	a.Property = p.ID
	found, err := s.Source.Buckets(r.Context(), scope(r), a.SeriesQuery, step.width)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if len(found) == 0 && noSuchSeries(w, p, a) {
		return
	}
	w.Header().Set("Cache-Control", "private, no-cache")
	w.Header().Add("Vary", "Authorization, Accept")
	sendTagged(w, r, http.StatusOK, "application/json", seriesJSON(found, a))
}

// seriesJSON is written by hand: a year has 8,760 hours, and through reflection
// they take longer than reading them.
func seriesJSON(found []view.Bucket, a readingsAsked) []byte {
	unit, convert := shown(a.Quantity, a.system)
	e := export{day: -1}
	out := make([]byte, 0, 64+100*len(found))
	out = append(out, '{')
	if unit != "" {
		out = append(strconv.AppendQuote(append(out, `"unit":`...), unit), ',')
	}
	out = append(out, `"series":[`...)
	for i, b := range found {
		if i > 0 {
			out = append(out, ',')
		}
		out = e.appendTime(append(out, `{"at":"`...), b.At.UnixMicro())
		out = appendFigure(append(out, `","low":`...), convert(b.Low))
		out = appendFigure(append(out, `,"mean":`...), convert(b.Mean))
		out = appendFigure(append(out, `,"high":`...), convert(b.High))
		out = strconv.AppendInt(append(out, `,"count":`...), int64(b.Count), 10)
		out = append(out, '}')
	}
	return append(out, "]}\n"...)
}

// appendFigure writes a value to a millionth: what is beyond is of the arithmetic.
func appendFigure(b []byte, v float64) []byte {
	return strconv.AppendFloat(b, math.Round(v*1e6)/1e6, 'f', -1, 64)
}
