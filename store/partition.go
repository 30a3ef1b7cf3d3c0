package store

import (
	"context"
	"fmt"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
)

// partitionsAhead is how many months beyond the current one always exist.
const partitionsAhead = 3

// partitioned are the tables with one partition a month, by the column of
// their time.
var partitioned = []struct{ table, column string }{
	{"readings", "at"},
	{"contact", "heard_at"},
}

// partitionLock keeps whoever changes a partitioned table's definition apart
// until the end of the transaction.
const partitionLock = `SELECT pg_advisory_xact_lock(hashtext('underkeep partitions'))`

// partitions remembers which months are known to exist, so that the common
// case costs no query.
type partitions struct {
	mu    sync.RWMutex
	known map[month]bool
}

// month counts calendar months in UTC since year 0.
type month int

func monthOf(t time.Time) month {
	t = t.UTC()
	return month(t.Year()*12 + int(t.Month()) - 1)
}

func (m month) start() time.Time {
	return time.Date(int(m)/12, time.Month(int(m)%12+1), 1, 0, 0, 0, 0, time.UTC)
}

func (m month) partition(table string) string {
	return fmt.Sprintf("%s_y%04dm%02d", table, int(m)/12, int(m)%12+1)
}

func (p *partitions) has(m month) bool {
	p.mu.RLock()
	defer p.mu.RUnlock()
	return p.known[m]
}

func (p *partitions) add(m month) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.known == nil {
		p.known = map[month]bool{}
	}
	p.known[m] = true
}

// forget makes the next use look again, after a partition turned out missing.
func (p *partitions) forget() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.known = nil
}

// EnsurePartitions creates the partitions of the month of now, the one before
// and the next three. Call it at start and daily.
func (s *Store) EnsurePartitions(ctx context.Context, now time.Time) error {
	for m := monthOf(now) - 1; m <= monthOf(now)+partitionsAhead; m++ {
		if err := s.ensureMonth(ctx, m); err != nil {
			return err
		}
	}
	return nil
}

// ensureMonth makes sure that every partitioned table takes rows of m.
func (s *Store) ensureMonth(ctx context.Context, m month) error {
	if s.partitions.has(m) {
		return nil
	}
	for _, p := range partitioned {
		if err := s.createPartition(ctx, p.table, p.column, m); err != nil {
			return fmt.Errorf("create partition %s: %w", m.partition(p.table), err)
		}
	}
	s.partitions.add(m)
	return nil
}

// createPartition prepares a table beside its parent and attaches it. CREATE …
// PARTITION OF would wait for every open insert, and every new insert would
// wait behind it; attaching waits for neither. The CHECK spares the scan under
// lock and goes once it has served.
func (s *Store) createPartition(ctx context.Context, table, column string, m month) error {
	const exists = `SELECT count(*) FROM pg_inherits i
		WHERE i.inhparent = $1::regclass AND i.inhrelid = to_regclass($2)`
	name := m.partition(table)
	// Bounds with an explicit offset: a bare date would be read in the
	// session's zone.
	from, to := m.start().Format(time.RFC3339), (m + 1).start().Format(time.RFC3339)
	statements := []string{
		`SET LOCAL lock_timeout = '2s'`,
		fmt.Sprintf(`CREATE TABLE %s (LIKE %s INCLUDING ALL)`, name, table),
		fmt.Sprintf(`ALTER TABLE %s ADD CONSTRAINT month CHECK (%s >= '%s' AND %s < '%s')`, name, column, from, column, to),
		fmt.Sprintf(`ALTER TABLE %s ATTACH PARTITION %s FOR VALUES FROM ('%s') TO ('%s')`, table, name, from, to),
		fmt.Sprintf(`ALTER TABLE %s DROP CONSTRAINT month`, name),
		fmt.Sprintf(`SELECT protect_table('%s')`, name),
	}
	return retrying(ctx, func() error {
		return withTx(ctx, s.owner, pgx.TxOptions{}, func(tx pgx.Tx) error {
			if _, err := tx.Exec(ctx, partitionLock); err != nil {
				return err
			}
			var n int
			if err := tx.QueryRow(ctx, exists, table, name).Scan(&n); err != nil || n > 0 {
				return err
			}
			if err := s.aboveRaw(ctx, tx, table, m); err != nil {
				return err
			}
			for _, sql := range statements {
				if _, err := tx.Exec(ctx, sql); err != nil {
					return fmt.Errorf("%s: %w", sql, err)
				}
			}
			return nil
		})
	})
}

// PartitionsAhead is how many whole months after the month of now can take
// readings; under 2 somebody should look.
func (s *Store) PartitionsAhead(ctx context.Context, now time.Time) (int, error) {
	const attached = `SELECT count(*) FROM pg_inherits i
		WHERE i.inhparent = 'readings'::regclass AND i.inhrelid = to_regclass($1)`
	for n := 0; ; n++ {
		var found int
		name := (monthOf(now) + month(n) + 1).partition("readings")
		if err := s.api.QueryRow(ctx, attached, name).Scan(&found); err != nil {
			return 0, fmt.Errorf("look for partition %s: %w", name, err)
		}
		if found == 0 {
			return n, nil
		}
	}
}
