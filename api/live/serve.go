package live

import (
	"fmt"
	"io"
	"net/http"
	"time"
)

// beatEvery is how often a silent stream shows that it lives.
const beatEvery = 15 * time.Second

// Serving says how a stream is written as server-sent events (HTML Living
// Standard, section 9.2).
type Serving struct {
	Retry  time.Duration       // after which the other side may come back
	End    time.Duration       // the stream ends by itself; 0: never
	Events func(Update) string // an update as events; "" for nothing to tell
	Still  func() bool         // asked with each beat whether the stream may go on; nil: yes
}

// Serve writes until the other side goes, the stream may not go on, or the
// server stops. It does not close the stream.
func (s *Stream) Serve(w http.ResponseWriter, r *http.Request, o Serving) {
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("X-Accel-Buffering", "no") // a proxy that buffers would hold the news back
	out := http.NewResponseController(w)
	send := func(text string) bool {
		_ = out.SetWriteDeadline(time.Now().Add(time.Minute)) // a recorder in a test has none
		_, err := io.WriteString(w, text)
		return err == nil && out.Flush() == nil
	}
	beat := time.NewTicker(beatEvery)
	defer beat.Stop()
	var end <-chan time.Time
	if o.End > 0 {
		end = time.After(o.End)
	}
	for ok := send(fmt.Sprintf("retry: %d\n\n", o.Retry.Milliseconds())); ok; {
		select {
		case <-r.Context().Done():
			return
		case <-end:
			return
		case <-s.wake:
			if text := o.Events(s.Update()); text != "" {
				ok = send(text)
			}
		case <-beat.C:
			ok = (o.Still == nil || o.Still()) && send(": still here\n\n")
		}
	}
}
