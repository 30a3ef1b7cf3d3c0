package api

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"time"

	"underkeep/api/live"
	"underkeep/api/view"
	"underkeep/store/site"
)

// What live streams may cost.
const (
	liveRound   = time.Second
	liveStreams = 500 // in all; beyond it a client is asked to come back
)

type liveReading struct {
	Point    string  `json:"point"`
	Quantity string  `json:"quantity"`
	Unit     string  `json:"unit,omitempty"`
	At       string  `json:"at"`
	Value    float64 `json:"value"`
}

// streamProperty tells what changes at a property as server-sent events (HTML
// Living Standard, section 9.2): "readings" with the newest of each series that
// has a newer one, "alarms" with all that stand when one of them has changed.
func (s *server) streamProperty(w http.ResponseWriter, r *http.Request) {
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
	stream, err := s.live.Watch(p.ID)
	if errors.Is(err, live.ErrBusy) {
		w.Header().Set("Retry-After", "30")
		writeProblem(w, http.StatusServiceUnavailable, "as many live streams are open as the service takes")
		return
	}
	defer stream.Close()
	stream.Serve(w, r, live.Serving{
		Retry:  3 * time.Second,
		Events: func(u live.Update) string { return events(u, system) },
		Still: func() bool { // the token may have ended
			_, err := s.authenticate(r)
			return !errors.Is(err, view.ErrNotFound)
		},
	})
}

// events writes an update as server-sent events.
func events(u live.Update, system site.UnitSystem) string {
	text := ""
	if len(u.Readings) > 0 {
		out := make([]liveReading, 0, len(u.Readings))
		for _, l := range u.Readings {
			unit, convert := shown(l.Quantity, system)
			out = append(out, liveReading{l.Point, l.Quantity.String(), unit, l.At.UTC().Format(time.RFC3339Nano), convert(l.Value)})
		}
		text += event("readings", map[string]any{"readings": out})
	}
	if u.AlarmsChanged {
		text += event("alarms", map[string]any{"alarms": showAlarms(u.Alarms)})
	}
	return text
}

func event(name string, data any) string {
	body, err := json.Marshal(data)
	if err != nil { // finite numbers and text always marshal
		panic("api: live event: " + err.Error())
	}
	return fmt.Sprintf("event: %s\ndata: %s\n\n", name, body)
}
