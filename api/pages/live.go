package pages

import (
	"errors"
	"io"
	"net/http"
	"time"

	"github.com/go-chi/chi/v5"

	"underkeep/api/live"
)

// liveBeat is how often a silent stream shows that it lives. After liveEnd it
// ends; the browser opens it anew, if the session still holds.
const (
	liveBeat = 15 * time.Second
	liveEnd  = 5 * time.Minute
)

// changes tells the page of a property that there is something new; the page
// then fetches itself, so that there is one way to render it.
func (p *pages) changes(w http.ResponseWriter, r *http.Request) {
	who := visitOf(r)
	prop, err := p.Source.Property(r.Context(), who.Scope(), chi.URLParam(r, "id"))
	if err != nil {
		p.fail(w, r, err)
		return
	}
	stream, err := p.Live.Watch(prop.ID)
	if errors.Is(err, live.ErrBusy) {
		w.Header().Set("Retry-After", "30")
		http.Error(w, "as many pages are open as the service keeps up to date", http.StatusServiceUnavailable)
		return
	}
	defer stream.Close()
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("X-Accel-Buffering", "no") // a proxy that buffers would hold the news back
	out := http.NewResponseController(w)
	send := func(text string) bool {
		_ = out.SetWriteDeadline(time.Now().Add(time.Minute)) // a recorder in a test has none
		_, err := io.WriteString(w, text)
		return err == nil && out.Flush() == nil
	}
	follow(r, stream, send)
}

func follow(r *http.Request, stream *live.Stream, send func(string) bool) {
	beat, end := time.NewTicker(liveBeat), time.NewTimer(liveEnd)
	defer beat.Stop()
	defer end.Stop()
	for ok := send("retry: 5000\n\n"); ok; {
		select {
		case <-r.Context().Done():
			return
		case <-end.C:
			return
		case <-stream.Wake():
			if !stream.Update().Empty() {
				ok = send("event: changed\ndata: \n\n")
			}
		case <-beat.C:
			ok = send(": still here\n\n")
		}
	}
}
