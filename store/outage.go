package store

import (
	"context"
	"fmt"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"
)

// Outage is a time without power from the grid, as somebody reported it.
type Outage struct {
	ID         string // "heron-07.o2"
	From, To   time.Time
	Note       string
	ReportedAt time.Time
	ReportedBy string
}

// ReportOutage notes an outage that is over. What was reported stays.
func (s *Store) ReportOutage(ctx context.Context, scope Scope, property string, o Outage) (Outage, error) {
	if !scope.Sees(property) {
		return Outage{}, notFound("property %s", property)
	}
	if !o.From.Before(o.To) || o.To.After(o.ReportedAt) || o.To.Sub(o.From) > 90*24*time.Hour {
		return Outage{}, invalid("an outage from %s to %s: it must be over and at most 90 days long", o.From.UTC().Format(time.RFC3339), o.To.UTC().Format(time.RFC3339))
	}
	err := retrying(ctx, func() error {
		return withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) error {
			num, err := lockProperty(ctx, tx, property)
			if err != nil {
				return err
			}
			var no int32
			err = tx.QueryRow(ctx, `INSERT INTO outage (property_id, outage_no, from_at, to_at, note, reported_at, reported_by)
				SELECT $1, coalesce(max(outage_no), 0) + 1, $2, $3, $4, $5, $6 FROM outage WHERE property_id = $1 RETURNING outage_no`,
				num, o.From, o.To, cutText(o.Note, 500), o.ReportedAt, cutText(o.ReportedBy, 200)).Scan(&no)
			o.ID = outageID(property, no)
			return err
		})
	})
	if err != nil {
		return Outage{}, fmt.Errorf("report an outage at %s: %w", property, err)
	}
	return o, nil
}

func outageID(property string, no int32) string { return property + ".o" + strconv.Itoa(int(no)) }

// Outages of a property that overlap [from, to), by time.
func (s *Store) Outages(ctx context.Context, scope Scope, property string, from, to time.Time) ([]Outage, error) {
	if !scope.Sees(property) {
		return nil, notFound("property %s", property)
	}
	return collect(ctx, s.api, "outages of "+property, func(r pgx.CollectableRow) (o Outage, err error) {
		var no int32
		err = r.Scan(&no, &o.From, &o.To, &o.Note, &o.ReportedAt, &o.ReportedBy)
		o.ID, o.From, o.To, o.ReportedAt = outageID(property, no), o.From.UTC(), o.To.UTC(), o.ReportedAt.UTC()
		return o, err
	}, `SELECT outage_no, from_at, to_at, note, reported_at, reported_by FROM outage JOIN property p USING (property_id)
		WHERE p.name = $1 AND from_at < $3 AND to_at > $2 ORDER BY from_at, outage_no`, property, from, to)
}

// OutageReport is an outage with the property it was reported for.
type OutageReport struct {
	Property, Title string
	Outage
}

// LatestOutages are those reported last, at most limit.
func (s *Store) LatestOutages(ctx context.Context, scope Scope, limit int) ([]OutageReport, error) {
	all, names := scope.args()
	return collect(ctx, s.api, "latest outages", func(r pgx.CollectableRow) (o OutageReport, err error) {
		var no int32
		err = r.Scan(&o.Property, &o.Title, &no, &o.From, &o.To, &o.Note, &o.ReportedAt, &o.ReportedBy)
		o.ID, o.From, o.To, o.ReportedAt = outageID(o.Property, no), o.From.UTC(), o.To.UTC(), o.ReportedAt.UTC()
		return o, err
	}, `SELECT p.name, p.title, outage_no, from_at, to_at, note, reported_at, reported_by FROM outage JOIN property p USING (property_id)
		WHERE $1 OR p.name = ANY($2) ORDER BY reported_at DESC, property_id, outage_no LIMIT $3`, all, names, limit)
}
