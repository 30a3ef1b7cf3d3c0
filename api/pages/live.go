package pages

import (
	"errors"
	"net/http"
	"time"

	"github.com/go-chi/chi/v5"

	"underkeep/api/live"
)

// liveEnd is when a stream ends; the browser opens it anew, if the session
// still holds.
const liveEnd = 5 * time.Minute

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
	stream.Serve(w, r, live.Serving{Retry: 5 * time.Second, End: liveEnd, Events: func(u live.Update) string {
		if u.Empty() {
			return ""
		}
		return "event: changed\ndata: \n\n"
	}})
}
