package store

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
)

// evaluatorActor signs what the evaluator found.
const evaluatorActor = "evaluation"

// journalEntry is one line on its way into the journal.
type journalEntry struct {
	num, no       int32
	at            time.Time
	kind, by, why string
	alarm         AlarmRecord
}

const journalSQL = `INSERT INTO alarm_journal (property_id, alarm_no, at, kind, actor, why, alarm) VALUES ($1, $2, $3, $4, $5, $6, $7)`

func (e journalEntry) args() []any {
	return []any{e.num, e.no, e.at, e.kind, cutText(e.by, 200), cutText(e.why, 1000), journalJSON(&e.alarm)}
}

// journalJSON is an alarm as the journal keeps it.
func journalJSON(a *AlarmRecord) []byte {
	optional := func(t time.Time) *time.Time {
		if t.IsZero() {
			return nil
		}
		u := t.UTC()
		return &u
	}
	b, err := json.Marshal(struct {
		Condition       string               `json:"condition"`
		Point           string               `json:"point,omitempty"`
		Priority        string               `json:"priority"`
		RaisedAt        time.Time            `json:"raised_at"`
		KnownAt         time.Time            `json:"known_at"`
		ClearedAt       *time.Time           `json:"cleared_at,omitempty"`
		WithdrawnAt     *time.Time           `json:"withdrawn_at,omitempty"`
		PriorityChanges []priorityChangeJSON `json:"priority_changes"`
		Causes          []causeJSON          `json:"causes"`
		CallOut         string               `json:"call_out,omitempty"`
		SuppressedBy    string               `json:"suppressed_by,omitempty"`
		Remarks         []string             `json:"remarks,omitempty"`
		AcknowledgedAt  *time.Time           `json:"acknowledged_at,omitempty"`
		AcknowledgedBy  string               `json:"acknowledged_by,omitempty"`
		HoldUntil       *time.Time           `json:"hold_until,omitempty"`
	}{
		string(a.Condition), a.Point, a.Priority.String(), a.RaisedAt.UTC(), a.KnownAt.UTC(), optional(a.ClearedAt), optional(a.WithdrawnAt),
		priorityChangesJSON(a.PriorityChanges), causesJSON(a.Causes), a.CallOut, string(a.SuppressedBy), a.Remarks,
		optional(a.AcknowledgedAt), a.AcknowledgedBy, optional(a.HoldUntil),
	})
	if err != nil { // strings and times of this age always marshal
		panic("store: journal: " + err.Error())
	}
	return b
}

// JournalEntry is one line of an alarm's history.
type JournalEntry struct {
	At    time.Time
	Kind  string // raised, escalated, cleared, moved, withdrawn, suppressed, acknowledged, shelved, unshelved, out-of-service, returned-to-service
	Actor string // who; "evaluation" for what the readings say
	Why   string
	Alarm json.RawMessage // as it then stood
}

// Journal is the whole history of an alarm, oldest first.
func (s *Store) Journal(ctx context.Context, scope Scope, id string) ([]JournalEntry, error) {
	property, no, ok := ParseAlarmID(id)
	if !ok || !scope.Sees(property) {
		return nil, notFound("alarm %s", id)
	}
	rows, err := s.api.Query(ctx, `SELECT j.at, j.kind, j.actor, j.why, j.alarm FROM alarm_journal j JOIN property p USING (property_id)
		WHERE p.name = $1 AND j.alarm_no = $2 ORDER BY j.entry_id`, property, no)
	if err != nil {
		return nil, fmt.Errorf("journal of %s: %w", id, err)
	}
	out, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (e JournalEntry, err error) {
		err = r.Scan(&e.At, &e.Kind, &e.Actor, &e.Why, &e.Alarm)
		e.At = e.At.UTC()
		return e, err
	})
	if err != nil {
		return nil, fmt.Errorf("journal of %s: %w", id, err)
	}
	if len(out) == 0 {
		return nil, notFound("alarm %s", id)
	}
	return out, nil
}
