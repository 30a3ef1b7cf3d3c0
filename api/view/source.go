package view

import (
	"context"
	"time"

	"underkeep/alerting/load"
	"underkeep/alerting/outlook"
	"underkeep/store/site"
)

// Source answers the queries of the API and the pages. An unknown object and
// one outside the scope are both ErrNotFound.
type Source interface {
	People
	SignIns
	Directory
	Answers
	Fleet
	Readings
	Alarms
	Regional
	Visits
	FieldRecords
	ServicePlanner
	WeatherSource
	QuarantineList
	Conditions
	Settings
	Evidence
	Deliveries
	Health
}

// People knows who holds which token.
type People interface {
	// Authenticate finds the principal of a bearer token; ErrNotFound when the
	// token is unknown, expired or revoked.
	Authenticate(ctx context.Context, token string) (Principal, error)
}

// PropertyQuery selects a page of properties.
type PropertyQuery struct {
	Search string // part of id, name or area; "" for all
	Area   string
	// Lone leaves out houses all of whose alarms are part of regional events,
	// none of them urgent; those stand under their event.
	Lone     bool
	Regional string // only houses in this regional event; "" for all
	After    string // opaque position returned with the page before
	Limit    int
}

// Fleet knows the properties.
type Fleet interface {
	// Properties ordered by id, and the position after the last one ("" at the end).
	Properties(ctx context.Context, scope Scope, q PropertyQuery) ([]Property, string, error)
	// Urgent lists properties with the one that needs a person soonest first:
	// by the priority of its worst unanswered alarm, then by how long it holds.
	Urgent(ctx context.Context, scope Scope, q PropertyQuery) ([]Property, string, error)
	// FleetCounts sums up the whole scope.
	FleetCounts(ctx context.Context, scope Scope) (Counts, error)
	Property(ctx context.Context, scope Scope, id string) (Property, error)
	// Register adds or updates the property that the file describes; FileErrors
	// when the file is refused.
	Register(ctx context.Context, file []byte, by string) (p Property, created bool, err error)
	Gateways(ctx context.Context, scope Scope, property string) ([]Gateway, error)
	// OutlookInput is what the outlook of a property is figured from, at present.
	OutlookInput(ctx context.Context, scope Scope, property string) (outlook.Input, error)
}

// Counts of a fleet.
type Counts struct {
	Properties int
	ByPriority [5]int // properties by the priority of their worst open alarm; [0] all right
	Areas      []string
}

// SeriesKey names one series of a property.
type SeriesKey struct {
	Point    string
	Quantity site.Quantity
}

// SeriesQuery selects readings of one series in [From, To), oldest first.
type SeriesQuery struct {
	Property string
	Point    string
	Quantity site.Quantity
	From, To time.Time
}

// Readings knows what was measured.
type Readings interface {
	// Readings at most limit; continue with From just after the last one (times
	// are whole microseconds and unique in a series).
	Readings(ctx context.Context, scope Scope, q SeriesQuery, limit int) ([]Reading, error)
	// Summed sums up every series of a property in [from, to), in steps of width
	// from from on; empty buckets and series are left out.
	Summed(ctx context.Context, scope Scope, property string, from, to time.Time, width time.Duration) (map[SeriesKey][]Bucket, error)
	// EachRun calls f with runs of the series from q.From to before q.To, in the
	// order of time, at in Unix µs; the slices are f's until it returns. Memory
	// does not grow with the period.
	EachRun(ctx context.Context, scope Scope, q SeriesQuery, f func(at []int64, values []float64) error) error
	// Buckets sums the series up in steps of width aligned to q.From; empty
	// buckets are left out.
	Buckets(ctx context.Context, scope Scope, q SeriesQuery, width time.Duration) ([]Bucket, error)
	// Latest reading of every series of the property.
	Latest(ctx context.Context, scope Scope, property string) ([]Latest, error)
}

// AlarmQuery selects a page of alarms, newest first.
type AlarmQuery struct {
	Property string    // "" for all in scope
	States   []State   // empty for all
	From, To time.Time // holding at some moment in [From, To); zero: no bound
	After    string
	Limit    int
}

// Alarms knows what was wrong and how people answered.
type Alarms interface {
	Alarms(ctx context.Context, scope Scope, q AlarmQuery) ([]Alarm, string, error)
	Alarm(ctx context.Context, scope Scope, id string) (Alarm, error)
	// Answer records what a person did; ErrConflict when the alarm's state does
	// not allow it. An answer that changes nothing is no error.
	Answer(ctx context.Context, scope Scope, id string, a Answer) (Alarm, error)
	Journal(ctx context.Context, scope Scope, id string) ([]Entry, error)
	// CountAlarms by state over the whole service, for the metrics.
	CountAlarms(ctx context.Context) (map[State]int, error)
	// AlarmLoad figures what the alarms of a period asked of people.
	AlarmLoad(ctx context.Context, scope Scope, p load.Period) (load.Report, error)
}

// QuarantineQuery selects a page of quarantined records, newest first.
type QuarantineQuery struct {
	Property string
	Reason   string
	All      bool // also those dealt with
	After    string
	Limit    int
}

// QuarantineList knows what could not be used.
type QuarantineList interface {
	Quarantine(ctx context.Context, scope Scope, q QuarantineQuery) ([]Quarantined, string, error)
	// QuarantinedItem is one entry with its payload.
	QuarantinedItem(ctx context.Context, scope Scope, id string) (Quarantined, error)
	// Replay tries the payload again through the same decoding and checks.
	Replay(ctx context.Context, scope Scope, id, by string) (Replayed, error)
	Discard(ctx context.Context, scope Scope, id, by string) (Quarantined, error)
}

// Health tells how the service is doing.
type Health interface {
	Ping(ctx context.Context) error
	// PendingMigrations is how many migrations the database still lacks.
	PendingMigrations(ctx context.Context) (int, error)
	// EvaluationLag is the age of the oldest reading that waits for evaluation;
	// 0 when none waits.
	EvaluationLag(ctx context.Context) (time.Duration, error)
}
