// Package viewtest answers the queries of package view from a fixed fleet held
// in memory: the same invented cottages, readings and alarms every time, so that
// tests and page states need no database.
package viewtest

import (
	"context"
	"errors"
	"maps"
	"slices"
	"sync"
	"time"

	"underkeep/api/view"
	"underkeep/api/warranty"
	"underkeep/store/site"
)

// Now is the moment at which the fixed fleet stands.
var Now = time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC)

// Tokens of the fixed fleet.
const (
	ManagerToken    = "manager-token"
	TechnicianToken = "technician-token"  // heron-07 and tern-12
	OwnerToken      = "owner-token"       // heron-07
	OtherOwnerToken = "other-owner-token" // gull-03
	WarrantyToken   = "warranty-token"
	ExpiredToken    = "expired-token"
	OperatorToken   = "operator-token" // no property
	ScopedToken     = "scoped-token"   // a manager's that may only read
)

// Series names what was measured where.
type Series struct {
	Property string
	Point    string
	Quantity site.Quantity
}

// Fleet is a view.Source in memory. Its fields may be changed before use.
type Fleet struct {
	Access
	mu          sync.Mutex
	visits      visits
	People      map[string]view.Principal
	Props       []view.Property // ordered by id
	Values      map[Series][]view.Reading
	AllAlarms   []view.Alarm // newest first
	Entries     map[string][]view.Entry
	GatewaysOf  map[string][]view.Gateway
	Quarantined []view.Quarantined
	Events      []view.RegionalEvent // latest first
	Told        []view.Delivery      // newest first
	Rules       view.Routing
	Stopped     []string // addresses that want no mail
	// LinkedLanguage is that of whoever a link was mailed to.
	LinkedLanguage string
	// What belongs to the warranty, by property.
	OwnTerms       []view.TermsVersion
	Assigned       map[string][]view.TermsAssignment
	WarrantyVisits map[string][]warranty.Visit
	WarrantyChecks map[string][]warranty.Check
	OutagesOf      map[string][]warranty.Outage
	Down           error         // what every query answers while set
	Pending        int           // migrations
	Lag            time.Duration // of evaluation
}

var _ view.Source = (*Fleet)(nil)

// Authenticate implements view.People.
func (f *Fleet) Authenticate(_ context.Context, token string) (view.Principal, error) {
	p, ok := f.People[token]
	if f.Down != nil {
		return view.Principal{}, f.Down
	}
	if !ok {
		return view.Principal{}, view.ErrNotFound
	}
	return p, nil
}

// Ping implements view.Health.
func (f *Fleet) Ping(context.Context) error { return f.Down }

// PendingMigrations implements view.Health.
func (f *Fleet) PendingMigrations(context.Context) (int, error) { return f.Pending, f.Down }

// EvaluationLag implements view.Health.
func (f *Fleet) EvaluationLag(context.Context) (time.Duration, error) { return f.Lag, f.Down }

// AddReading puts one more reading where it belongs in time.
func (f *Fleet) AddReading(s Series, r view.Reading) {
	f.mu.Lock()
	defer f.mu.Unlock()
	all := append(slices.Clone(f.Values[s]), r)
	slices.SortFunc(all, func(a, b view.Reading) int { return a.At.Compare(b.At) })
	f.Values[s] = all
}

// Readings implements view.Readings.
func (f *Fleet) Readings(_ context.Context, scope view.Scope, q view.SeriesQuery, limit int) ([]view.Reading, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.Down != nil {
		return nil, f.Down
	}
	if !scope.Allows(q.Property) {
		return nil, nil
	}
	var out []view.Reading
	for _, r := range f.Values[Series{q.Property, q.Point, q.Quantity}] {
		if !r.At.Before(q.From) && r.At.Before(q.To) && len(out) < limit {
			out = append(out, r)
		}
	}
	return out, nil
}

// EachRun implements view.Readings, in runs of three.
func (f *Fleet) EachRun(ctx context.Context, scope view.Scope, q view.SeriesQuery, each func(at []int64, values []float64) error) error {
	rows, err := f.Readings(ctx, scope, q, 1<<30)
	if err != nil {
		return err
	}
	for run := range slices.Chunk(rows, 3) {
		var at []int64
		var values []float64
		for _, r := range run {
			at, values = append(at, r.At.UnixMicro()), append(values, r.Value)
		}
		if err := each(at, values); err != nil {
			return err
		}
	}
	return nil
}

// Buckets implements view.Readings.
func (f *Fleet) Buckets(ctx context.Context, scope view.Scope, q view.SeriesQuery, width time.Duration) ([]view.Bucket, error) {
	rows, err := f.Readings(ctx, scope, q, 1<<30)
	return summed(rows, q.From, width), err
}

// Summed implements view.Readings.
func (f *Fleet) Summed(ctx context.Context, scope view.Scope, property string, from, to time.Time, width time.Duration) (map[view.SeriesKey][]view.Bucket, error) {
	out := make(map[view.SeriesKey][]view.Bucket)
	f.mu.Lock()
	series := slices.Collect(maps.Keys(f.Values))
	f.mu.Unlock()
	for _, s := range series {
		if s.Property != property {
			continue
		}
		rows, err := f.Readings(ctx, scope, view.SeriesQuery{Property: property, Point: s.Point, Quantity: s.Quantity, From: from, To: to}, 1<<30)
		if err != nil {
			return nil, err
		}
		if b := summed(rows, from, width); len(b) > 0 {
			out[view.SeriesKey{Point: s.Point, Quantity: s.Quantity}] = b
		}
	}
	return out, f.Down
}

func summed(rows []view.Reading, from time.Time, width time.Duration) []view.Bucket {
	var out []view.Bucket
	for _, r := range rows {
		at := from.Add(r.At.Sub(from) / width * width)
		if len(out) == 0 || out[len(out)-1].At != at {
			out = append(out, view.Bucket{At: at, Low: r.Value, High: r.Value})
		}
		b := &out[len(out)-1]
		b.Low, b.High = min(b.Low, r.Value), max(b.High, r.Value)
		b.Sum += r.Value
		b.Count++
		b.Mean = b.Sum / float64(b.Count)
	}
	return out
}

// Latest implements view.Readings.
func (f *Fleet) Latest(_ context.Context, scope view.Scope, property string) ([]view.Latest, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []view.Latest
	for s, rows := range f.Values {
		if s.Property == property && scope.Allows(property) && len(rows) > 0 {
			out = append(out, view.Latest{Point: s.Point, Quantity: s.Quantity, Reading: rows[len(rows)-1]})
		}
	}
	return out, f.Down
}

// ErrDown is an outage of the database, with a detail that must not leak.
var ErrDown = errors.New("dial tcp db.internal: connection refused")
