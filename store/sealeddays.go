package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/site"
)

// SealDelay is how long after its end a local day is kept open for what comes
// late; what was received after that proves nothing.
func (s *Store) SealDelay() time.Duration { return s.opts.SealDelay }

// SealedDays are the local days of [from, to) that are in the signed log, in
// order. A day that is only staged is not among them.
func (s *Store) SealedDays(ctx context.Context, property string, from, to site.Date) ([]site.Date, error) {
	p, ok := s.Registry().Property(property)
	if !ok {
		return nil, notFound("property %s", property)
	}
	rows, err := s.api.Query(ctx, `SELECT day FROM sealed_day
		WHERE property_id = $1 AND amendment = 0 AND day >= $2 AND day < $3
			AND leaf_no < (SELECT max(size) FROM log_checkpoint WHERE published)
		ORDER BY day`, p.Num, from.String(), to.String())
	if err != nil {
		return nil, fmt.Errorf("sealed days of %s: %w", property, err)
	}
	days, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (d site.Date, err error) {
		var day time.Time
		err = r.Scan(&day)
		return site.DateOf(day), err
	})
	if err != nil {
		return nil, fmt.Errorf("sealed days of %s: %w", property, err)
	}
	return days, nil
}
