package api

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"time"

	"underkeep/alerting/load"
	"underkeep/api/view"
	"underkeep/ingest"
	"underkeep/store"
	"underkeep/store/site"
)

func seriesQuery(q view.SeriesQuery) store.ReadingQuery {
	return store.ReadingQuery{Property: q.Property, Point: q.Point, Quantity: q.Quantity, From: q.From, To: q.To}
}

// Readings implements view.Readings. A series that was never described has no
// readings; whether that is a mistake is for the caller to say.
func (s *storeSource) Readings(ctx context.Context, scope view.Scope, q view.SeriesQuery, limit int) ([]view.Reading, error) {
	if !scope.Allows(q.Property) {
		return nil, view.ErrNotFound
	}
	ask := seriesQuery(q)
	ask.Limit = limit
	out := make([]view.Reading, 0, min(limit, 10000))
	err := s.store.EachReading(ctx, ask, func(m store.Sample) error {
		out = append(out, view.Reading{At: m.At, Value: m.Value})
		return nil
	})
	return out, emptyWhenUnknown(err)
}

// EachRun implements view.Readings.
func (s *storeSource) EachRun(ctx context.Context, scope view.Scope, q view.SeriesQuery, f func(at []int64, values []float64) error) error {
	if !scope.Allows(q.Property) {
		return view.ErrNotFound
	}
	ask := store.ColumnQuery{Property: q.Property, Point: q.Point, Quantities: []site.Quantity{q.Quantity}, From: q.From, To: q.To}
	return emptyWhenUnknown(s.store.EachRun(ctx, ask, f))
}

// Buckets implements view.Readings.
func (s *storeSource) Buckets(ctx context.Context, scope view.Scope, q view.SeriesQuery, width time.Duration) ([]view.Bucket, error) {
	if !scope.Allows(q.Property) {
		return nil, view.ErrNotFound
	}
	found, err := s.store.Buckets(ctx, seriesQuery(q), width)
	out := make([]view.Bucket, len(found))
	for i, b := range found {
		out[i] = view.Bucket(b)
	}
	return out, emptyWhenUnknown(err)
}

// Summed implements view.Readings.
func (s *storeSource) Summed(ctx context.Context, scope view.Scope, property string, from, to time.Time, width time.Duration) (map[view.SeriesKey][]view.Bucket, error) {
	if !scope.Allows(property) {
		return nil, view.ErrNotFound
	}
	found, err := s.store.Summed(ctx, store.SumQuery{Property: property, From: from, To: to, Width: width})
	out := make(map[view.SeriesKey][]view.Bucket, len(found))
	for _, series := range found {
		buckets := make([]view.Bucket, len(series.Buckets))
		for i, b := range series.Buckets {
			buckets[i] = view.Bucket(b)
		}
		out[view.SeriesKey{Point: series.Point, Quantity: series.Quantity}] = buckets
	}
	return out, emptyWhenUnknown(err)
}

func emptyWhenUnknown(err error) error {
	if errors.Is(err, store.ErrNotFound) {
		return nil
	}
	return told(err)
}

// Latest implements view.Readings.
func (s *storeSource) Latest(ctx context.Context, scope view.Scope, property string) ([]view.Latest, error) {
	found, err := s.store.Latest(ctx, storeScope(scope), property)
	if err != nil {
		return nil, told(err)
	}
	out := make([]view.Latest, len(found))
	for i, l := range found {
		out[i] = view.Latest{Point: l.Point, Quantity: l.Quantity, Reading: view.Reading{At: l.At, Value: l.Value}}
	}
	return out, nil
}

func viewAlarm(a store.AlarmRecord) view.Alarm {
	out := view.Alarm{
		ID: a.ID, Alarm: a.Alarm, State: view.State(a.State),
		AcknowledgedAt: a.AcknowledgedAt, AcknowledgedBy: a.AcknowledgedBy, HoldReason: a.HoldReason,
		RegionalEvent: regionalID(a.RegionalEvent),
	}
	if out.State == view.Shelved {
		out.ShelvedUntil = a.HoldUntil
	}
	return out
}

// Alarms implements view.Alarms.
func (s *storeSource) Alarms(ctx context.Context, scope view.Scope, q view.AlarmQuery) ([]view.Alarm, string, error) {
	ask := store.AlarmQuery{Scope: storeScope(scope), Property: q.Property, To: q.To, Cursor: q.After, Limit: q.Limit, Now: s.now()}
	for _, state := range q.States {
		ask.States = append(ask.States, store.AlarmState(state))
	}
	found, next, err := s.store.Alarms(ctx, ask)
	if err != nil {
		return nil, "", told(err)
	}
	out := make([]view.Alarm, 0, len(found))
	for _, a := range found {
		// The store bounds by raised_at; what ended before From is left out here.
		if q.From.IsZero() || a.ClearedAt.IsZero() || a.ClearedAt.After(q.From) {
			out = append(out, viewAlarm(a))
		}
	}
	return out, next, nil
}

// Alarm implements view.Alarms.
func (s *storeSource) Alarm(ctx context.Context, scope view.Scope, id string) (view.Alarm, error) {
	a, err := s.store.Alarm(ctx, storeScope(scope), id, s.now())
	if err != nil {
		return view.Alarm{}, told(err)
	}
	return viewAlarm(a), nil
}

// Answer implements view.Alarms.
func (s *storeSource) Answer(ctx context.Context, scope view.Scope, id string, a view.Answer) (view.Alarm, error) {
	ask := store.Answer{Scope: storeScope(scope), Alarm: id, By: a.By, Why: a.Note, Now: a.At}
	var err error
	switch a.Kind {
	case view.ToAcknowledge:
		err = s.store.Acknowledge(ctx, ask)
	case view.ToShelve:
		err = s.store.Shelve(ctx, ask, a.Until)
	case view.ToUnshelve:
		err = s.store.Unshelve(ctx, ask)
	case view.ToOutOfService:
		err = s.store.TakeOutOfService(ctx, ask)
	case view.ToReturnToService:
		err = s.store.ReturnToService(ctx, ask)
	default:
		err = fmt.Errorf("no answer %q", a.Kind)
	}
	if err != nil {
		return view.Alarm{}, told(err)
	}
	return s.Alarm(ctx, scope, id)
}

// Journal implements view.Alarms.
func (s *storeSource) Journal(ctx context.Context, scope view.Scope, id string) ([]view.Entry, error) {
	found, err := s.store.Journal(ctx, storeScope(scope), id)
	if err != nil {
		return nil, told(err)
	}
	out := make([]view.Entry, 0, len(found))
	for _, e := range found {
		out = append(out, view.Entry{At: e.At, Kind: e.Kind, By: e.Actor, Note: e.Why})
	}
	return out, nil
}

// CountAlarms implements view.Alarms.
func (s *storeSource) CountAlarms(ctx context.Context) (map[view.State]int, error) {
	counts, err := s.store.CountAlarms(ctx, s.now())
	out := make(map[view.State]int, len(counts))
	for state, n := range counts {
		out[view.State(state)] = n
	}
	return out, err
}

// AlarmLoad implements view.Alarms.
func (s *storeSource) AlarmLoad(ctx context.Context, scope view.Scope, p load.Period) (load.Report, error) {
	alarms, err := s.store.AlarmLoad(ctx, storeScope(scope), p.From, p.To, s.now())
	if err != nil {
		return load.Report{}, told(err)
	}
	return load.Compute(p, alarms), nil
}

func viewQuarantined(q store.Quarantined) view.Quarantined {
	out := view.Quarantined{
		ID: strconv.FormatInt(q.ID, 10), Property: q.Property, ReceivedAt: q.Received, Topic: q.Topic,
		Reason: string(q.Reason), Detail: q.Detail, Point: q.Point, Payload: q.Payload, PayloadBytes: int(q.PayloadBytes),
		Outcome: q.Outcome, ClosedAt: q.ClosedAt, ClosedBy: q.ClosedBy,
	}
	property, gateway, _ := ingest.ParseTopic(q.Topic)
	out.Gateway = gateway
	if out.Property == "" {
		out.Property = property
	}
	if q.Quantity != 0 {
		out.Quantity = q.Quantity.String()
	}
	return out
}

// Quarantine implements view.QuarantineList.
func (s *storeSource) Quarantine(ctx context.Context, scope view.Scope, q view.QuarantineQuery) ([]view.Quarantined, string, error) {
	ask := store.QuarantineQuery{Scope: storeScope(scope), Property: q.Property, Reason: store.Reason(q.Reason), Open: !q.All, Limit: q.Limit + 1}
	if q.After != "" {
		var err error
		if ask.Before, err = strconv.ParseInt(q.After, 10, 64); err != nil || ask.Before < 1 {
			return nil, "", fmt.Errorf("cursor: %w", view.ErrInvalid)
		}
	}
	found, err := s.store.Quarantine(ctx, ask)
	if err != nil {
		return nil, "", told(err)
	}
	next := ""
	if len(found) > q.Limit {
		found = found[:q.Limit]
		next = strconv.FormatInt(found[len(found)-1].ID, 10)
	}
	out := make([]view.Quarantined, 0, len(found))
	for _, f := range found {
		out = append(out, viewQuarantined(f))
	}
	return out, next, nil
}

func (s *storeSource) quarantined(ctx context.Context, scope view.Scope, id string) (store.Quarantined, error) {
	n, err := strconv.ParseInt(id, 10, 64)
	if err != nil || n < 1 {
		return store.Quarantined{}, view.ErrNotFound
	}
	q, err := s.store.QuarantinedByID(ctx, storeScope(scope), n)
	return q, told(err)
}

// QuarantinedItem implements view.QuarantineList.
func (s *storeSource) QuarantinedItem(ctx context.Context, scope view.Scope, id string) (view.Quarantined, error) {
	q, err := s.quarantined(ctx, scope, id)
	if err != nil {
		return view.Quarantined{}, err
	}
	return viewQuarantined(q), nil
}

// Discard implements view.QuarantineList.
func (s *storeSource) Discard(ctx context.Context, scope view.Scope, id, by string) (view.Quarantined, error) {
	q, err := s.quarantined(ctx, scope, id)
	if err != nil {
		return view.Quarantined{}, err
	}
	if err := s.store.CloseQuarantine(ctx, storeScope(scope), q.ID, store.OutcomeDiscarded, by, s.now()); err != nil {
		return view.Quarantined{}, told(err)
	}
	return s.QuarantinedItem(ctx, scope, id)
}

// Replay implements view.QuarantineList. The payload goes through the door
// again with the time at which it was received; the entry is closed only when
// what it stands for is no longer refused.
func (s *storeSource) Replay(ctx context.Context, scope view.Scope, id, by string) (view.Replayed, error) {
	q, err := s.quarantined(ctx, scope, id)
	if err != nil {
		return view.Replayed{}, err
	}
	switch {
	case q.Outcome != "":
		return view.Replayed{}, fmt.Errorf("entry %s was %s already: %w", id, q.Outcome, view.ErrConflict)
	case int64(len(q.Payload)) < q.PayloadBytes:
		return view.Replayed{}, fmt.Errorf("entry %s was cut when it was stored: %w", id, view.ErrConflict)
	}
	d := ingest.Decode(ingest.StoreSites(s.store.Registry), q.Topic, q.Payload, q.Received)
	done, err := s.store.Record(ctx, []store.Delivery{d})
	if err != nil {
		return view.Replayed{}, err
	}
	out := view.Replayed{Stored: done.Stored + done.Duplicate}
	for _, n := range done.Quarantined {
		out.Refused += n
	}
	if stillRefused(d, q) {
		return out, nil
	}
	return out, told(s.store.CloseQuarantine(ctx, storeScope(scope), q.ID, store.OutcomeReplayed, by, s.now()))
}

// stillRefused says whether the delivery refuses again what the entry is about:
// its record, or the message as a whole. A conflict is found by the database
// and would be found again.
func stillRefused(d store.Delivery, q store.Quarantined) bool {
	if q.Reason == store.ReasonConflict {
		return true
	}
	for _, r := range d.Refused {
		if r.Point == "" && r.Quantity == 0 || r.Point == q.Point && r.Quantity == q.Quantity && (r.At.IsZero() || r.At.Equal(q.At)) {
			return true
		}
	}
	return false
}

// Ping implements view.Health.
func (s *storeSource) Ping(ctx context.Context) error { return s.store.Ping(ctx) }

// PendingMigrations implements view.Health.
func (s *storeSource) PendingMigrations(ctx context.Context) (int, error) {
	if s.migrated.Load() {
		return 0, nil
	}
	n, err := s.store.PendingMigrations(ctx)
	if err == nil && n == 0 {
		s.migrated.Store(true)
	}
	return n, err
}

// EvaluationLag implements view.Health.
func (s *storeSource) EvaluationLag(ctx context.Context) (time.Duration, error) {
	return s.store.EvaluationLag(ctx, s.now())
}
