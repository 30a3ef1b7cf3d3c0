package viewtest

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"underkeep/alerting/load"
	"underkeep/api/view"
)

// Alarms implements view.Alarms.
func (f *Fleet) Alarms(_ context.Context, scope view.Scope, q view.AlarmQuery) ([]view.Alarm, string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []view.Alarm
	passed := q.After == ""
	for _, a := range f.AllAlarms {
		if !passed {
			passed = a.ID == q.After
			continue
		}
		if !f.asked(scope, a, q) {
			continue
		}
		if len(out) == q.Limit {
			return out, out[len(out)-1].ID, f.Down
		}
		out = append(out, a)
	}
	if !passed {
		return nil, "", fmt.Errorf("cursor: %w", view.ErrInvalid)
	}
	return out, "", f.Down
}

func (f *Fleet) asked(scope view.Scope, a view.Alarm, q view.AlarmQuery) bool {
	return scope.Allows(a.Property) &&
		(q.Property == "" || q.Property == a.Property) &&
		(len(q.States) == 0 || slices.Contains(q.States, a.State)) &&
		(q.To.IsZero() || a.RaisedAt.Before(q.To)) &&
		(q.From.IsZero() || a.ClearedAt.IsZero() || a.ClearedAt.After(q.From))
}

func (f *Fleet) find(scope view.Scope, id string) (*view.Alarm, error) {
	for i := range f.AllAlarms {
		if f.AllAlarms[i].ID == id && scope.Allows(f.AllAlarms[i].Property) {
			return &f.AllAlarms[i], f.Down
		}
	}
	return nil, cmp.Or(f.Down, view.ErrNotFound)
}

// Alarm implements view.Alarms.
func (f *Fleet) Alarm(_ context.Context, scope view.Scope, id string) (view.Alarm, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	a, err := f.find(scope, id)
	if err != nil {
		return view.Alarm{}, err
	}
	return *a, nil
}

// Answer implements view.Alarms with the transitions of IEC 62682 that the
// fixed fleet needs.
func (f *Fleet) Answer(_ context.Context, scope view.Scope, id string, answer view.Answer) (view.Alarm, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	a, err := f.find(scope, id)
	if err != nil {
		return view.Alarm{}, err
	}
	before := a.State
	if before == view.Suppressed && answer.Kind == view.ToAcknowledge {
		return view.Alarm{}, fmt.Errorf("alarm %s: nobody was told of it: %w", id, view.ErrConflict)
	}
	switch answer.Kind {
	case view.ToAcknowledge:
		acknowledge(a, answer)
	case view.ToShelve:
		a.State, a.ShelvedUntil = view.Shelved, answer.Until
	case view.ToOutOfService:
		a.State = view.OutOfService
	case view.ToUnshelve, view.ToReturnToService:
		away := map[view.AnswerKind]view.State{view.ToUnshelve: view.Shelved, view.ToReturnToService: view.OutOfService}
		if a.State == away[answer.Kind] {
			a.State = view.Unacknowledged
		}
	}
	if a.State != before {
		f.Entries[id] = append(f.Entries[id], view.Entry{At: answer.At, Kind: string(answer.Kind), By: answer.By, Note: answer.Note})
	}
	return *a, nil
}

func acknowledge(a *view.Alarm, answer view.Answer) {
	switch a.State {
	case view.Unacknowledged:
		a.State, a.AcknowledgedAt, a.AcknowledgedBy = view.Acknowledged, answer.At, answer.By
	case view.ReturnedUnack:
		a.State, a.AcknowledgedAt, a.AcknowledgedBy = view.Normal, answer.At, answer.By
	}
}

// Journal implements view.Alarms.
func (f *Fleet) Journal(_ context.Context, scope view.Scope, id string) ([]view.Entry, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	a, err := f.find(scope, id)
	if err != nil {
		return nil, err
	}
	raised := view.Entry{At: a.KnownAt, Kind: "raised"}
	return append([]view.Entry{raised}, f.Entries[id]...), nil
}

// CountAlarms implements view.Alarms.
func (f *Fleet) CountAlarms(context.Context) (map[view.State]int, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	out := make(map[view.State]int)
	for _, a := range f.AllAlarms {
		out[a.State]++
	}
	return out, f.Down
}

// AlarmLoad implements view.Alarms.
func (f *Fleet) AlarmLoad(_ context.Context, scope view.Scope, p load.Period) (load.Report, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	states := map[view.State]load.State{view.Shelved: load.Shelved, view.OutOfService: load.OutOfService, view.Suppressed: load.SuppressedByDesign}
	var in []load.Alarm
	for _, a := range f.AllAlarms {
		if scope.Allows(a.Property) {
			in = append(in, load.Alarm{Property: a.Property, Condition: a.Condition, Point: a.Point, Priority: a.Priority, KnownAt: a.KnownAt,
				EndedAt: a.ClearedAt, Escalations: len(a.PriorityChanges), Began: states[a.State], Now: states[a.State]})
		}
	}
	return load.Compute(p, in), f.Down
}

// Quarantine implements view.QuarantineList.
func (f *Fleet) Quarantine(_ context.Context, scope view.Scope, q view.QuarantineQuery) ([]view.Quarantined, string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []view.Quarantined
	for _, item := range f.Quarantined {
		if (scope.All || scope.Allows(item.Property)) && (q.All || item.Open()) &&
			(q.Property == "" || q.Property == item.Property) && (q.Reason == "" || q.Reason == item.Reason) && len(out) < q.Limit {
			item.Payload = nil
			out = append(out, item)
		}
	}
	return out, "", f.Down
}

func (f *Fleet) item(id string) (*view.Quarantined, error) {
	for i := range f.Quarantined {
		if f.Quarantined[i].ID == id {
			return &f.Quarantined[i], f.Down
		}
	}
	return nil, cmp.Or(f.Down, view.ErrNotFound)
}

// QuarantinedItem implements view.QuarantineList.
func (f *Fleet) QuarantinedItem(_ context.Context, _ view.Scope, id string) (view.Quarantined, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	q, err := f.item(id)
	if err != nil {
		return view.Quarantined{}, err
	}
	return *q, nil
}

// Replay implements view.QuarantineList.
func (f *Fleet) Replay(_ context.Context, _ view.Scope, id, by string) (view.Replayed, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	q, err := f.item(id)
	if err != nil {
		return view.Replayed{}, err
	}
	if !q.Open() {
		return view.Replayed{}, fmt.Errorf("%s is dealt with: %w", id, view.ErrConflict)
	}
	q.Outcome, q.ClosedAt, q.ClosedBy = "replayed", Now, by
	return view.Replayed{Stored: 1}, nil
}

// Discard implements view.QuarantineList.
func (f *Fleet) Discard(_ context.Context, _ view.Scope, id, by string) (view.Quarantined, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	q, err := f.item(id)
	if err != nil {
		return view.Quarantined{}, err
	}
	q.Outcome, q.ClosedAt, q.ClosedBy = "discarded", Now, by
	return *q, nil
}
