package api

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"time"

	"underkeep/api/live"
	"underkeep/api/view"
	"underkeep/store/site"
)

// What live streams may cost.
const (
	liveRound   = time.Second
	liveStreams = 500              // in all; beyond it a client is asked to come back
	liveBeat    = 15 * time.Second // a comment in the silence, and the token checked anew
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
	s.follow(w, r, stream, system)
}

// follow writes until the client goes, its token ends or the server stops.
func (s *server) follow(w http.ResponseWriter, r *http.Request, stream *live.Stream, system site.UnitSystem) {
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no") // a proxy that buffers would hold the news back
	out := http.NewResponseController(w)
	send := func(text string) bool {
		_ = out.SetWriteDeadline(time.Now().Add(time.Minute)) // a recorder in a test has none
		_, err := io.WriteString(w, text)
		return err == nil && out.Flush() == nil
	}
	if !send("retry: 3000\n\n") {
		return
	}
	beat := time.NewTicker(liveBeat)
	defer beat.Stop()
	for {
		ok := true
		select {
		case <-r.Context().Done():
			return
		case <-stream.Wake():
			ok = send(events(stream.Update(), system))
		case <-beat.C:
			_, err := s.authenticate(r)
			ok = !errors.Is(err, view.ErrNotFound) && send(": still here\n\n")
		}
		if !ok {
			return
		}
	}
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
