package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/alerting"
)

const (
	beatEvery = 5 * time.Second
	// beatLapse is how long after its last beat an instance still counts as
	// listening.
	beatLapse = 30 * time.Second
)

// Beat notes that this instance takes messages at the time now. Silence is
// judged only over time in which some instance did.
func (s *Store) Beat(ctx context.Context, now time.Time) error {
	err := retrying(ctx, func() error {
		return withTx(ctx, s.ingest, pgx.TxOptions{}, func(tx pgx.Tx) error { return s.beat(ctx, tx, now) })
	})
	if err != nil {
		return fmt.Errorf("note that %s listens: %w", s.opts.Instance, err)
	}
	return nil
}

func (s *Store) beat(ctx context.Context, tx pgx.Tx, now time.Time) error {
	if _, err := tx.Exec(ctx, `SELECT pg_advisory_xact_lock(hashtext('underkeep listening'))`); err != nil {
		return err
	}
	last, since, err := listening(ctx, tx, now)
	if err != nil {
		return err
	}
	if since.IsZero() { // nobody else: a time of deafness ends, or all begins
		since = now
		if !last.IsZero() && last.Before(now) {
			if _, err := tx.Exec(ctx, `INSERT INTO deaf (from_at, to_at) VALUES ($1, $2) ON CONFLICT DO NOTHING`, last, now); err != nil {
				return err
			}
		}
	}
	_, err = tx.Exec(ctx, `INSERT INTO listening (instance, since, beat_at) VALUES ($1, $2, $3)
		ON CONFLICT (instance) DO UPDATE SET since = excluded.since, beat_at = greatest(listening.beat_at, excluded.beat_at)`,
		s.opts.Instance, since, now)
	return err
}

type querier interface {
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
}

// listening is the last beat of any instance, zero when there never was one,
// and since when instances have listened without a gap up to now, zero when
// none does.
func listening(ctx context.Context, q querier, now time.Time) (last, since time.Time, err error) {
	var l, c *time.Time
	err = q.QueryRow(ctx, `SELECT max(beat_at), min(since) FILTER (WHERE beat_at >= $1) FROM listening`, now.Add(-beatLapse)).Scan(&l, &c)
	return instant(l), instant(c), err
}

// horizon is the receipt time up to which silence may be judged at the time
// now. It is the clock while any instance listens and stands still while none
// does.
func (s *Store) horizon(ctx context.Context, now time.Time) (time.Time, error) {
	last, since, err := listening(ctx, s.evaluation, now)
	if err != nil {
		return time.Time{}, fmt.Errorf("ask who listens: %w", err)
	}
	if since.IsZero() && !last.IsZero() {
		return last, nil
	}
	return now, nil
}

// loadDeaf brings the times in which nobody listened since the least advanced
// of the jobs was evaluated.
func (r *round) loadDeaf(ctx context.Context, tx pgx.Tx) (err error) {
	from := r.watermark
	for _, j := range r.jobs {
		from = earlier(from, j.watermark)
	}
	r.deaf, err = deafTimes(ctx, tx, from, r.watermark)
	return err
}

// deafTimes are the times in which nobody listened that ended in (from, to].
func deafTimes(ctx context.Context, q Queryer, from, to time.Time) ([]alerting.Gap, error) {
	rows, err := q.Query(ctx, `SELECT from_at, to_at FROM deaf WHERE to_at > $1 AND to_at <= $2 ORDER BY to_at`, from, to)
	if err != nil {
		return nil, fmt.Errorf("load times of deafness: %w", err)
	}
	out, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (alerting.Gap, error) {
		var from, to time.Time
		err := r.Scan(&from, &to)
		return alerting.Gap{From: from.UnixMicro(), To: to.UnixMicro()}, err
	})
	if err != nil {
		return nil, fmt.Errorf("load times of deafness: %w", err)
	}
	return out, nil
}

// KeepListening beats until ctx ends, whenever listens says that messages can
// be taken.
func (s *Store) KeepListening(ctx context.Context, listens func() bool) {
	tick := time.NewTicker(beatEvery)
	defer tick.Stop()
	for {
		if listens() {
			if err := s.Beat(ctx, time.Now()); err != nil && ctx.Err() == nil {
				s.log.Warn("heartbeat", "error", err)
			}
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}
