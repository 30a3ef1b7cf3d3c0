package store

import (
	"context"
	"fmt"
	"time"
)

// wholeBefore is the time before which sealed days and late readings have
// everything that was stored of a property, in µs of Postgres; from then on raw
// rows are to be read. It is rawFrom at least. Sealed days are read ten times
// faster than raw rows, so whoever goes through months takes them as far as they
// are whole: to the last day in the log, or to the earliest reading that came
// after its day was sealed, or still waits to be looked at (due). Readings and
// their row in due are committed together, and the row that an evaluation takes
// away leaves one in seal_due behind, so that one statement sees either.
func (s *Store) wholeBefore(ctx context.Context, p *Registered) (int64, error) {
	rawFrom, err := s.rawFrom(ctx)
	if err != nil {
		return 0, err
	}
	// seal_due and due are the service's own; of the property they tell a time.
	var sealed, late *time.Time
	err = s.api.QueryRow(asService(ctx), `SELECT (SELECT max(to_at) FROM sealed_day WHERE property_id = $1 AND amendment = 0 AND leaf_no IS NOT NULL),
		least((SELECT min(earliest_at) FROM seal_due WHERE property_id = $1), (SELECT min(earliest_at) FROM due WHERE property_id = $1))`, p.Num).Scan(&sealed, &late)
	if err != nil {
		return 0, fmt.Errorf("ask how far %s is sealed: %w", p.ID, err)
	}
	if sealed == nil {
		return rawFrom, nil
	}
	whole := pgMicros(*sealed)
	if late != nil {
		whole = min(whole, pgMicros(*late))
	}
	return max(rawFrom, whole), nil
}
