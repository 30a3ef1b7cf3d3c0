package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/site"
)

// Quarantined is one thing that could not be used, as it is listed.
type Quarantined struct {
	ID           int64
	Property     string // "" when no such property was registered
	Received     time.Time
	Topic        string
	Reason       Reason
	Detail       string
	Payload      []byte // cut to MaxQuarantinePayload; nil in a list
	PayloadBytes int64
	Point        string
	Quantity     site.Quantity
	At           time.Time // zero: none
	Value        *float64
	Outcome      string // "" open | replayed | discarded
	ClosedAt     time.Time
	ClosedBy     string
}

// QuarantineQuery asks for a page of the quarantine, newest first.
type QuarantineQuery struct {
	Scope    Scope
	Property string // "" any
	Reason   Reason // "" any
	Open     bool   // only what nobody has dealt with
	Before   int64  // continue below this ID; 0: from the newest
	Limit    int
}

const quarantineColumns = `q.quarantine_id, coalesce(p.name, ''), q.received_at, q.topic, q.reason, q.detail, l.payload_bytes,
	coalesce(q.point, ''), coalesce(q.quantity, 0), q.at, q.value, coalesce(q.outcome, ''), q.closed_at, coalesce(q.closed_by, '')`

const quarantineFrom = ` FROM quarantine q LEFT JOIN property p USING (property_id)
	JOIN quarantine_payload l USING (property_id, payload_sha256) `

func scanQuarantined(row pgx.Row, more ...any) (Quarantined, error) {
	var q Quarantined
	var at, closed *time.Time
	var quantity int16
	dest := append([]any{&q.ID, &q.Property, &q.Received, &q.Topic, &q.Reason, &q.Detail, &q.PayloadBytes,
		&q.Point, &quantity, &at, &q.Value, &q.Outcome, &closed, &q.ClosedBy}, more...)
	if err := row.Scan(dest...); err != nil {
		return Quarantined{}, err
	}
	q.Received, q.Quantity = q.Received.UTC(), site.Quantity(quantity)
	q.At, q.ClosedAt = instant(at), instant(closed)
	return q, nil
}

// Quarantine lists a page, without payloads.
func (s *Store) Quarantine(ctx context.Context, q QuarantineQuery) ([]Quarantined, error) {
	all, names := q.Scope.args()
	rows, err := s.api.Query(ctx, `SELECT `+quarantineColumns+quarantineFrom+`
		WHERE ($1 OR p.name = ANY($2)) AND ($3 = '' OR p.name = $3) AND ($4 = '' OR q.reason = $4)
			AND (NOT $5 OR q.outcome IS NULL) AND ($6 = 0 OR q.quarantine_id < $6)
		ORDER BY q.quarantine_id DESC LIMIT $7`,
		all, names, q.Property, string(q.Reason), q.Open, q.Before, pageSize(q.Limit))
	if err != nil {
		return nil, fmt.Errorf("list quarantine: %w", err)
	}
	out, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (Quarantined, error) { return scanQuarantined(r) })
	if err != nil {
		return nil, fmt.Errorf("list quarantine: %w", err)
	}
	return out, nil
}

// QuarantinedByID is one entry with its payload.
func (s *Store) QuarantinedByID(ctx context.Context, scope Scope, id int64) (Quarantined, error) {
	all, names := scope.args()
	var payload []byte
	q, err := scanQuarantined(s.api.QueryRow(ctx, `SELECT `+quarantineColumns+`, l.payload`+quarantineFrom+`
		WHERE q.quarantine_id = $1 AND ($2 OR p.name = ANY($3))`, id, all, names), &payload)
	if isNoRows(err) {
		return Quarantined{}, notFound("quarantine entry %d", id)
	}
	if err != nil {
		return Quarantined{}, fmt.Errorf("quarantine entry %d: %w", id, err)
	}
	q.Payload = payload
	return q, nil
}

// Outcomes of a quarantine entry.
const (
	OutcomeReplayed  = "replayed"  // went through the door again
	OutcomeDiscarded = "discarded" // looked at and given up
)

// CloseQuarantine notes how an open entry was dealt with; the entry stays.
func (s *Store) CloseQuarantine(ctx context.Context, scope Scope, id int64, outcome, by string, now time.Time) error {
	all, names := scope.args()
	tag, err := s.api.Exec(ctx, `UPDATE quarantine q SET outcome = $4, closed_at = $5, closed_by = $6
		WHERE quarantine_id = $1 AND outcome IS NULL
			AND ($2 OR property_id IN (SELECT property_id FROM property WHERE name = ANY($3)))`,
		id, all, names, outcome, now, cutText(by, 200))
	if err != nil {
		return fmt.Errorf("close quarantine entry %d: %w", id, err)
	}
	if tag.RowsAffected() > 0 {
		return nil
	}
	if _, err := s.QuarantinedByID(ctx, scope, id); err != nil {
		return err
	}
	return conflict("quarantine entry %d is closed already", id)
}

// Pages of a list.
const (
	defaultPage = 100
	largestPage = 1000
)

// pageSize is the limit in force where limit was asked for.
func pageSize(limit int) int {
	if limit <= 0 {
		return defaultPage
	}
	return min(limit, largestPage)
}
