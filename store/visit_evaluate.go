package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/alerting"
)

// loadTests brings the pump tests that each evaluator may not have seen; one
// that it has is passed over there. A test makes its property due, so that what
// only woke up needs none.
func (r *round) loadTests(ctx context.Context, tx pgx.Tx) error {
	var nums []int32
	var from []time.Time
	for _, j := range r.jobs {
		if j.earliest != maxMicros {
			nums, from = append(nums, j.num), append(from, time.UnixMicro(j.from))
		}
	}
	if len(nums) == 0 {
		return nil
	}
	rows, err := tx.Query(ctx, `SELECT t.property_id, t.at, coalesce(t.draw_down_s, 0) FROM unnest($1::int4[], $2::timestamptz[]) u(p, f)
		JOIN pump_test t ON t.property_id = u.p AND t.at >= u.f AND t.withdrawn_at IS NULL AND t.ran AND t.pump = 'primary'
		ORDER BY t.at, t.test_no`, nums, from)
	if err != nil {
		return fmt.Errorf("load pump tests: %w", err)
	}
	var num int32
	var at time.Time
	var test alerting.PumpTest
	_, err = pgx.ForEachRow(rows, []any{&num, &at, &test.DrawDownS}, func() error {
		test.At = at.UnixMicro()
		j := r.job(num)
		j.input.Tests = append(j.input.Tests, test)
		return nil
	})
	if err != nil {
		return fmt.Errorf("load pump tests: %w", err)
	}
	return nil
}

// recordedTests are the pump tests of [from, to) as messages, by when they were
// recorded, at the latest at to.
func (s *Store) recordedTests(ctx context.Context, num int32, from, to time.Time) ([]alerting.Message, error) {
	return collect(ctx, s.api, "pump tests", func(r pgx.CollectableRow) (m alerting.Message, err error) {
		var at time.Time
		var test alerting.PumpTest
		err = r.Scan(&at, &m.Received, &test.DrawDownS)
		test.At, m.Received = at.UnixMicro(), m.Received.UTC()
		m.Tests, m.Silent = []alerting.PumpTest{test}, true
		return m, err
	}, `SELECT at, least(recorded_at, $3), coalesce(draw_down_s, 0) FROM pump_test
		WHERE property_id = $1 AND at >= $2 AND at < $3 AND withdrawn_at IS NULL AND ran AND pump = 'primary' ORDER BY 2, at, test_no`, num, from, to)
}

// settleVisits answers what a visit brought about, before anybody is told.
func (r *round) settleVisits(ctx context.Context, tx pgx.Tx) error {
	var nums []int32
	for _, j := range r.jobs {
		for _, c := range j.output.Changes {
			if c.Kind == alerting.Raised || c.Kind == alerting.Moved {
				nums = append(nums, j.num)
				break
			}
		}
	}
	if len(nums) == 0 {
		return nil
	}
	return settleHeld(ctx, tx, nums, r.now)
}
