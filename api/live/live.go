// Package live tells who watches a property what has changed there, within
// about a second. However many watch one property, it is looked at once a
// round; nobody is watching, nothing is asked.
package live

import (
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"underkeep/api/view"
)

// ErrBusy is returned when as many streams are open as the hub takes.
var ErrBusy = errors.New("too many live streams")

// Source is what the hub looks at.
type Source interface {
	Latest(ctx context.Context, scope view.Scope, property string) ([]view.Latest, error)
	Alarms(ctx context.Context, scope view.Scope, q view.AlarmQuery) ([]view.Alarm, string, error)
}

// Update is what has changed since the last one of a stream; the first has
// everything.
type Update struct {
	Readings []view.Latest
	// Alarms are all that stand, when any of them has changed.
	Alarms        []view.Alarm
	AlarmsChanged bool
}

// Empty says that there is nothing to tell.
func (u Update) Empty() bool { return len(u.Readings) == 0 && !u.AlarmsChanged }

// Hub shares the looking among the streams. Use New.
type Hub struct {
	source Source
	round  time.Duration
	most   int

	mu      sync.Mutex
	watched map[string]*watch
	streams int
}

// New makes a hub that looks once a round at each watched property, for at most
// so many streams.
func New(source Source, round time.Duration, most int) *Hub {
	return &Hub{source: source, round: round, most: most, watched: make(map[string]*watch)}
}

// snapshot is a property at one moment.
type snapshot struct {
	readings []view.Latest
	alarms   []view.Alarm
}

// watch looks at one property for all of its streams.
type watch struct {
	property string
	streams  map[*Stream]struct{} // owned by Hub.mu
	now      *snapshot            // owned by Hub.mu; nil before the first look
	stop     context.CancelFunc
}

// Stream is one person's or program's watch over a property.
type Stream struct {
	hub   *Hub
	watch *watch
	wake  chan struct{}
	told  *snapshot
}

// Watch opens a stream; Close it. The caller has checked that the property may
// be seen.
func (h *Hub) Watch(property string) (*Stream, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.streams >= h.most {
		return nil, ErrBusy
	}
	w, ok := h.watched[property]
	if !ok {
		ctx, cancel := context.WithCancel(context.Background())
		w = &watch{property: property, streams: make(map[*Stream]struct{}), stop: cancel}
		h.watched[property] = w
		go h.look(ctx, w)
	}
	s := &Stream{hub: h, watch: w, wake: make(chan struct{}, 1)}
	if w.now != nil {
		s.wake <- struct{}{}
	}
	w.streams[s] = struct{}{}
	h.streams++
	return s, nil
}

// Close ends the stream; the last one of a property ends the looking.
func (s *Stream) Close() {
	h := s.hub
	h.mu.Lock()
	defer h.mu.Unlock()
	if _, open := s.watch.streams[s]; !open {
		return
	}
	delete(s.watch.streams, s)
	h.streams--
	if len(s.watch.streams) == 0 {
		s.watch.stop()
		delete(h.watched, s.watch.property)
	}
}

// Streams is how many are open.
func (h *Hub) Streams() int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.streams
}

// Wake is signalled when there may be something to tell.
func (s *Stream) Wake() <-chan struct{} { return s.wake }

// Update is what has changed since the last call. A stream that is slow to ask
// misses what lay between, never what is now.
func (s *Stream) Update() Update {
	s.hub.mu.Lock()
	now := s.watch.now
	s.hub.mu.Unlock()
	if now == nil {
		return Update{}
	}
	u := now.since(s.told)
	s.told = now
	return u
}

// look takes snapshots until nobody watches. A database that does not answer
// leaves the last one standing; the next round tries again.
func (h *Hub) look(ctx context.Context, w *watch) {
	tick := time.NewTicker(h.round)
	defer tick.Stop()
	for {
		if now, err := h.snapshot(ctx, w.property); err == nil {
			h.show(w, now)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

func (h *Hub) snapshot(ctx context.Context, property string) (*snapshot, error) {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	scope := view.Scope{IDs: []string{property}}
	readings, err := h.source.Latest(ctx, scope, property)
	if err != nil {
		return nil, err
	}
	alarms, _, err := h.source.Alarms(ctx, scope, view.AlarmQuery{
		Property: property, Limit: 100,
		States: []view.State{view.Unacknowledged, view.Acknowledged, view.ReturnedUnack, view.Shelved, view.OutOfService, view.Suppressed},
	})
	return &snapshot{readings, alarms}, err
}

func (h *Hub) show(w *watch, now *snapshot) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if w.now != nil && now.since(w.now).Empty() {
		return
	}
	w.now = now
	for s := range w.streams {
		select {
		case s.wake <- struct{}{}:
		default: // it has not asked since; it will see this too
		}
	}
}

// since lists what differs from what was told before; all of it for nil.
func (n *snapshot) since(told *snapshot) Update {
	if told == nil {
		return Update{Readings: n.readings, Alarms: n.alarms, AlarmsChanged: true}
	}
	var u Update
	for _, l := range n.readings {
		if !slices.Contains(told.readings, l) {
			u.Readings = append(u.Readings, l)
		}
	}
	if !slices.EqualFunc(n.alarms, told.alarms, sameAlarm) {
		u.Alarms, u.AlarmsChanged = n.alarms, true
	}
	return u
}

// sameAlarm compares what people see change.
func sameAlarm(a, b view.Alarm) bool {
	return a.ID == b.ID && a.State == b.State && a.Priority == b.Priority && a.RaisedAt.Equal(b.RaisedAt) &&
		a.ClearedAt.Equal(b.ClearedAt) && a.AcknowledgedBy == b.AcknowledgedBy && a.ShelvedUntil.Equal(b.ShelvedUntil) &&
		len(a.Remarks) == len(b.Remarks) && cause(a) == cause(b)
}

// cause is the likeliest.
func cause(a view.Alarm) string {
	if len(a.Causes) == 0 {
		return ""
	}
	return a.Causes[0].Cause
}
