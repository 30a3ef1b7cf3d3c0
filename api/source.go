package api

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"underkeep/api/view"
	"underkeep/store"
	"underkeep/store/site"
)

// storeSource answers the queries of the API and the pages from the database.
type storeSource struct {
	store    *store.Store
	now      func() time.Time
	busy     sync.Mutex  // held by a rehearsal
	migrated atomic.Bool // seen without pending migrations; they never come back
}

// FromStore is the view.Source of the service. now defaults to time.Now.
func FromStore(st *store.Store, now func() time.Time) view.Source {
	if now == nil {
		now = time.Now
	}
	return &storeSource{store: st, now: now}
}

// toldError is an error of the store that also is one of package view.
type toldError struct {
	error
	kind error
}

func (e toldError) Is(target error) bool { return target == e.kind }
func (e toldError) Unwrap() error        { return e.error }

// told turns the store's errors into those of package view.
func told(err error) error {
	var field *store.FieldError
	if errors.As(err, &field) {
		return &view.FieldError{Field: field.Field, Problem: field.Error(), Err: toldKind(err)}
	}
	return toldKind(err)
}

func toldKind(err error) error {
	for from, to := range map[error]error{
		store.ErrNotFound: view.ErrNotFound, store.ErrConflict: view.ErrConflict, store.ErrInvalid: view.ErrInvalid,
	} {
		if errors.Is(err, from) {
			return toldError{err, to}
		}
	}
	return err
}

func storeScope(s view.Scope) store.Scope {
	return store.Scope{All: s.All, Properties: slices.Sorted(slices.Values(s.IDs))}
}

// Properties implements view.Fleet. The page is chosen from the registry in
// memory, by id, so that neither inserts nor changing alarms shift it.
func (s *storeSource) Properties(ctx context.Context, scope view.Scope, q view.PropertyQuery) ([]view.Property, string, error) {
	page, more := s.pageOfIDs(ctx, scope, q)
	statuses, _, err := s.store.Properties(ctx, store.PropertyQuery{Scope: store.Scope{Properties: page}, Limit: len(page) + 1, Now: s.now()})
	if err != nil {
		return nil, "", told(err)
	}
	slices.SortFunc(statuses, func(a, b store.PropertyStatus) int { return cmp.Compare(a.ID, b.ID) })
	out, err := s.withAlarms(ctx, statuses)
	if err != nil || !more {
		return out, "", err
	}
	return out, page[len(page)-1], nil
}

func (s *storeSource) pageOfIDs(ctx context.Context, scope view.Scope, q view.PropertyQuery) (ids []string, more bool) {
	s.store.EachRegistered(ctx, func(p *store.Registered) bool {
		if p.ID > q.After && scope.Allows(p.ID) && matchesQuery(p, q) {
			ids = append(ids, p.ID)
		}
		return true
	})
	slices.Sort(ids)
	if len(ids) > q.Limit {
		return ids[:q.Limit], true
	}
	return ids, false
}

func matchesQuery(p *store.Registered, q view.PropertyQuery) bool {
	if q.Search == "" && q.Area == "" {
		return true
	}
	desc, err := p.Current()
	if err != nil {
		return q.Area == "" && strings.Contains(p.ID, q.Search)
	}
	text := strings.ToLower(desc.ID + " " + desc.Name + " " + desc.Area)
	return (q.Area == "" || q.Area == desc.Area) && strings.Contains(text, strings.ToLower(q.Search))
}

// Urgent implements view.Fleet.
func (s *storeSource) Urgent(ctx context.Context, scope view.Scope, q view.PropertyQuery) ([]view.Property, string, error) {
	statuses, next, err := s.store.Properties(ctx, store.PropertyQuery{
		Scope: storeScope(scope), Area: q.Area, Text: q.Search, Lone: q.Lone, Regional: q.Regional, Cursor: q.After, Limit: q.Limit, Now: s.now(),
	})
	if err != nil {
		return nil, "", told(err)
	}
	out, err := s.withAlarms(ctx, statuses)
	return out, next, err
}

// withAlarms adds description and alarms to a page of the fleet, with one
// query for all of it.
func (s *storeSource) withAlarms(ctx context.Context, page []store.PropertyStatus) ([]view.Property, error) {
	var wanting []string
	for _, p := range page {
		if p.Open+p.Unacknowledged > 0 {
			wanting = append(wanting, p.ID)
		}
	}
	standing, err := s.standing(ctx, wanting)
	if err != nil {
		return nil, err
	}
	out := make([]view.Property, 0, len(page))
	for _, status := range page {
		p, err := s.describe(ctx, status)
		if err != nil {
			return nil, err
		}
		p.Open = standing[status.ID]
		out = append(out, p)
	}
	return out, nil
}

// standing alarms that want a person, by property, most urgent first.
func (s *storeSource) standing(ctx context.Context, properties []string) (map[string][]view.Alarm, error) {
	out := make(map[string][]view.Alarm)
	if len(properties) == 0 {
		return out, nil
	}
	q := store.AlarmQuery{
		Scope: store.Scope{Properties: slices.Sorted(slices.Values(properties))}, Standing: true, Now: s.now(), Limit: 1000,
		States: []store.AlarmState{store.StateUnacknowledged, store.StateAcknowledged, store.StateReturned},
	}
	for {
		page, next, err := s.store.Alarms(ctx, q)
		if err != nil {
			return nil, told(err)
		}
		for _, a := range page {
			out[a.Property] = append(out[a.Property], viewAlarm(a))
		}
		if q.Cursor = next; next == "" {
			break
		}
	}
	for p := range maps.Keys(out) {
		slices.SortStableFunc(out[p], view.MoreUrgent)
	}
	return out, nil
}

func (s *storeSource) describe(ctx context.Context, status store.PropertyStatus) (view.Property, error) {
	reg, ok := s.store.Registered(ctx, status.ID)
	if !ok {
		return view.Property{}, fmt.Errorf("property %s is in the database and not yet in the registry", status.ID)
	}
	desc, err := reg.Current()
	if err != nil {
		return view.Property{}, err
	}
	return view.Property{Property: desc, LastReceived: status.HeardAt, Failure: status.Failure}, nil
}

// Property implements view.Fleet.
func (s *storeSource) Property(ctx context.Context, scope view.Scope, id string) (view.Property, error) {
	if !scope.Allows(id) {
		return view.Property{}, view.ErrNotFound
	}
	page, _, err := s.store.Properties(ctx, store.PropertyQuery{Scope: store.Scope{Properties: []string{id}}, Limit: 1, Now: s.now()})
	if err != nil {
		return view.Property{}, told(err)
	}
	if len(page) == 0 {
		return view.Property{}, view.ErrNotFound
	}
	out, err := s.withAlarms(ctx, page)
	if err != nil {
		return view.Property{}, err
	}
	return out[0], nil
}

// FleetCounts implements view.Fleet.
func (s *storeSource) FleetCounts(ctx context.Context, scope view.Scope) (view.Counts, error) {
	c, err := s.store.CountFleet(ctx, storeScope(scope), s.now())
	return view.Counts{Properties: c.Properties, ByPriority: c.ByPriority, Areas: c.Areas}, told(err)
}

// Register implements view.Fleet.
func (s *storeSource) Register(ctx context.Context, file []byte, by string) (view.Property, bool, error) {
	desc, err := site.ParseProperty(file, "property file")
	if err != nil {
		return view.Property{}, false, view.FileErrorsOf(err)
	}
	done, err := s.store.Register(ctx, file, desc, by)
	if err != nil {
		return view.Property{}, false, told(err)
	}
	p, err := s.Property(ctx, view.Scope{All: true}, done.Property)
	return p, done.Created, err
}

// Gateways implements view.Fleet.
func (s *storeSource) Gateways(ctx context.Context, scope view.Scope, property string) ([]view.Gateway, error) {
	d, err := s.store.Property(ctx, storeScope(scope), property, s.now())
	if err != nil {
		return nil, told(err)
	}
	names := map[store.Presence]string{store.PresenceOnline: "online", store.PresenceOffline: "offline", store.PresenceNone: "unknown"}
	var out []view.Gateway
	for _, g := range d.Gateways {
		out = append(out, view.Gateway{ID: g.Name, Presence: names[g.Presence], LastReceived: g.HeardAt, Revoked: g.Revoked})
	}
	return out, nil
}
