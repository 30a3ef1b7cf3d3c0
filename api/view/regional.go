package view

import (
	"context"
	"time"

	"underkeep/alerting/region"
)

// RegionalEvent is one cause over several houses. It covers their call-outs and
// hides none of their alarms.
type RegionalEvent struct {
	ID     string
	Kind   region.Kind
	Houses int // all of them, those out of scope included
	Since  time.Time
	Until  time.Time // zero while one of its call-outs stands
	// Where; only for those who see the whole fleet.
	Located             bool
	Latitude, Longitude float64
	RadiusKm            float64
	Why                 region.Chance
	Members             []RegionalMember // those in scope, by time
}

// RegionalMember is one call-out of an event.
type RegionalMember struct {
	Property     string
	CallOut      string
	Since, Until time.Time // Until zero while it stands
}

// RegionalQuery selects a page of events, latest first.
type RegionalQuery struct {
	Standing bool      // only those with a call-out that stands
	Wanting  bool      // only those with an alarm that holds or that nobody has seen
	From, To time.Time // holding at some moment in [From, To); zero: no bound
	After    string
	Limit    int
}

// Regional knows what several houses have in common. An event is seen by who
// may see one of its houses.
type Regional interface {
	RegionalEvents(ctx context.Context, scope Scope, q RegionalQuery) ([]RegionalEvent, string, error)
	// RegionalEvent by its id; one that was merged answers with what it is part of now.
	RegionalEvent(ctx context.Context, scope Scope, id string) (RegionalEvent, error)
	// CountRegional counts the events that stand, for the metrics, and the
	// call-outs in them.
	CountRegional(ctx context.Context) (events, callOuts map[region.Kind]int, err error)
}
