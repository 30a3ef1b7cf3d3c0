package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/evidence"
)

// dropRaw gives up raw rows that are older than before, month by month: first
// every one of them is held against the sealed days, then readers are told to
// look there, and some time later the partition is dropped.
func (s *Store) dropRaw(ctx context.Context, before, now time.Time) (dropped int, err error) {
	for _, m := range s.rawMonths(ctx, &err) {
		if !(m + 1).start().After(before) {
			done, err := s.giveUpMonth(ctx, m, now)
			if err != nil {
				return dropped, fmt.Errorf("raw rows of %s: %w", m.partition("readings"), err)
			}
			if !done {
				break // months go in order
			}
		}
	}
	if err != nil {
		return dropped, err
	}
	return s.dropMonths(ctx, now)
}

// rawMonths lists the months that have a partition of readings, in order.
func (s *Store) rawMonths(ctx context.Context, failed *error) []month {
	rows, err := s.sealing.Query(ctx, `SELECT c.relname FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid WHERE i.inhparent = 'readings'::regclass`)
	if err == nil {
		var names []string
		if names, err = pgx.CollectRows(rows, pgx.RowTo[string]); err == nil {
			var out []month
			for _, name := range names {
				var y, m int
				if n, _ := fmt.Sscanf(name, "readings_y%04dm%02d", &y, &m); n == 2 {
					out = append(out, month(y*12+m-1))
				}
			}
			slices.Sort(out)
			return out
		}
	}
	*failed = fmt.Errorf("list partitions of readings: %w", err)
	return nil
}

// giveUpMonth moves raw_from behind a month once all of it is sealed; false when
// something of it is not.
func (s *Store) giveUpMonth(ctx context.Context, m month, now time.Time) (bool, error) {
	s.rawRows.forget()
	rawFrom, err := s.rawFrom(ctx)
	if err != nil || rawFrom >= pgMicros((m+1).start()) {
		return err == nil, err
	}
	missing := 0
	reg := s.Registry()
	for _, num := range slices.Sorted(mapKeys(reg.byID)) {
		n, err := s.holdAgainstSealed(ctx, reg.byID[num], max(rawFrom, pgMicros(m.start())), pgMicros((m + 1).start()), m)
		if err != nil {
			return false, fmt.Errorf("property %s: %w", reg.byID[num].ID, err)
		}
		missing += n
	}
	if missing > 0 {
		s.log.Warn("raw rows are not sealed yet and stay", "partition", m.partition("readings"), "properties", missing)
		return false, nil
	}
	_, err = s.sealing.Exec(ctx, `UPDATE seal_state SET raw_from = $1, raised_at = $2 WHERE raw_from < $1`, (m + 1).start(), now)
	s.rawRows.forget()
	return err == nil, err
}

// holdAgainstSealed compares every raw row of a property in [from, to) with what
// is sealed. A row that is in no sealed day is reported for an amendment, and 1
// returned; one that differs is an error.
func (s *Store) holdAgainstSealed(ctx context.Context, p *Registered, from, to int64, m month) (int, error) {
	var earliest int64
	err := withTx(ctx, s.sealing, oneSnapshot, func(tx pgx.Tx) error {
		raw := &sealJob{reg: p, days: []*sealDay{{from: timeOfMicros(from), to: timeOfMicros(to)}}}
		if err := loadRaw(ctx, tx, []*sealJob{raw}); err != nil {
			return err
		}
		if len(raw.days[0].readings) == 0 {
			return nil
		}
		sealed, err := sealedReadings(ctx, tx, sealedQuery{p: p, from: from, to: to})
		if err != nil {
			return err
		}
		earliest, err = unsealed(raw.days[0].readings, sealed)
		return err
	})
	if err != nil || earliest == 0 {
		return 0, err
	}
	_, err = s.sealing.Exec(ctx, `INSERT INTO seal_due (property_id, earliest_at) SELECT $1, $2
		WHERE NOT EXISTS (SELECT FROM seal_due WHERE property_id = $1 AND earliest_at <= $2)`, p.Num, time.UnixMicro(earliest).UTC())
	return 1, err
}

// unsealed is the earliest raw reading that is not sealed, 0 when all are.
func unsealed(raw, sealed []rawReading) (int64, error) {
	have := make(map[seriesAt]rawReading, len(sealed))
	for _, r := range sealed {
		have[seriesAt{r.series, r.at}] = r
	}
	var earliest int64
	for _, r := range raw {
		s, ok := have[seriesAt{r.series, r.at}]
		switch {
		case !ok && (earliest == 0 || r.at < earliest):
			earliest = r.at
		case ok && s != r:
			return 0, badLog("the reading of series %d at %s differs from the sealed one", r.series, time.UnixMicro(r.at).UTC())
		}
	}
	return earliest, nil
}

// dropMonths drops partitions that nobody reads any more. What was put into them
// meanwhile, by a service that did not know yet, is kept as late readings.
func (s *Store) dropMonths(ctx context.Context, now time.Time) (dropped int, err error) {
	var from *time.Time
	var raised time.Time
	err = s.sealing.QueryRow(ctx, `SELECT nullif(raw_from, '-infinity'), raised_at FROM seal_state`).Scan(&from, &raised)
	if err != nil {
		return 0, fmt.Errorf("ask from when on there are raw rows: %w", err)
	}
	if from == nil || now.Before(raised.Add(dropAfter)) {
		return 0, nil
	}
	for _, m := range s.rawMonths(ctx, &err) {
		if (m + 1).start().After(*from) {
			break
		}
		if err := s.dropMonth(ctx, m); err != nil {
			return dropped, fmt.Errorf("drop %s: %w", m.partition("readings"), err)
		}
		dropped++
	}
	return dropped, err
}

func (s *Store) dropMonth(ctx context.Context, m month) error {
	name := m.partition("readings")
	reg := s.Registry()
	err := withTx(ctx, s.owner, pgx.TxOptions{}, func(tx pgx.Tx) error {
		// Readers of old months wait at most so long, and so does ingest behind
		// them; the next run tries again.
		if _, err := tx.Exec(ctx, `SET LOCAL lock_timeout = '500ms'`); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `SET LOCAL statement_timeout = '10min'`); err != nil {
			return err
		}
		if err := keepStragglers(ctx, tx, reg, name); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, `DROP TABLE `+pgx.Identifier{name}.Sanitize())
		return err
	})
	if err == nil {
		s.partitions.forget()
	}
	return err
}

// keepStragglers moves rows that came after raw_from was moved.
func keepStragglers(ctx context.Context, tx pgx.Tx, reg *Registry, partition string) error {
	rows, err := tx.Query(ctx, `SELECT property_id, series_id, gateway_id, at, value, received_at, coalesce(at_receipt, false)
		FROM `+pgx.Identifier{partition}.Sanitize()+` WHERE received_at >= (SELECT raised_at - interval '1 hour' FROM seal_state)`)
	if err != nil {
		return fmt.Errorf("look for late rows: %w", err)
	}
	found, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (w row, err error) {
		var at, received time.Time
		err = r.Scan(&w.property, &w.series, &w.gateway, &at, &w.value, &received, &w.atReceipt)
		w.at, w.received = pgMicros(at), pgMicros(received)
		return w, err
	})
	if err != nil {
		return fmt.Errorf("look for late rows: %w", err)
	}
	sortRows(found)
	for i := range found {
		if err := keepStraggler(ctx, tx, reg, &found[i]); err != nil {
			return err
		}
	}
	return nil
}

func keepStraggler(ctx context.Context, tx pgx.Tx, reg *Registry, r *row) error {
	p := reg.byID[r.property]
	if p == nil {
		return fmt.Errorf("property %d is not in the registry", r.property)
	}
	known, err := sealedValues(ctx, tx, p, []row{*r})
	if err != nil {
		return err
	}
	if _, ok := known[r.at]; ok {
		return nil
	}
	if _, _, err := insertLate(ctx, tx, r); err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `WITH due AS (INSERT INTO due (property_id, earliest_at, received_at) VALUES ($1, $2, $3))
		INSERT INTO seal_due (property_id, earliest_at) VALUES ($1, $2)`, r.property, timeOfMicros(r.at), timeOfMicros(r.received))
	return err
}

// errBelow: the month's raw rows were given up.
var errBelow = errors.New("its raw rows were given up")

// aboveRaw keeps a partition of readings from coming back once it was given up.
func (s *Store) aboveRaw(ctx context.Context, tx pgx.Tx, table string, m month) error {
	if table != "readings" {
		return nil
	}
	var from *time.Time
	if err := tx.QueryRow(ctx, `SELECT nullif(raw_from, '-infinity') FROM seal_state`).Scan(&from); err != nil {
		return err
	}
	if from != nil && !(m + 1).start().After(*from) {
		s.rawRows.forget()
		return errBelow
	}
	return nil
}

// VerifyLog checks all of the log: its head and tiles, what was promised, and,
// with contents, that every sealed day gives back the text that was sealed. It
// returns how many records were found good.
func (s *Store) VerifyLog(ctx context.Context, keys *Keyring, contents bool) (int64, error) {
	var head evidence.Tree
	err := withTx(ctx, s.sealing, oneSnapshot, func(tx pgx.Tx) (err error) {
		head, err = verifyTree(ctx, tx, keys)
		return err
	})
	if err != nil {
		return 0, err
	}
	first := int64(0)
	if !contents {
		first = max(0, head.Size-verifiedAtStart)
	}
	for from := first; from < head.Size; from += verifyRun {
		if err := s.verifyContents(ctx, from, min(head.Size, from+verifyRun)); err != nil {
			return from, err
		}
	}
	return head.Size, nil
}

const (
	verifiedAtStart = 100 // records whose text is made anew at every start
	verifyRun       = 500
)

// verifyContents makes the texts of records [from, to) anew and holds their
// hashes against those that were sealed.
func (s *Store) verifyContents(ctx context.Context, from, to int64) error {
	records, err := s.recordsOf(ctx, `d.leaf_no >= $1 AND d.leaf_no < $2`, from, to)
	if err != nil {
		return err
	}
	for i := range records {
		r := &records[i]
		d, err := r.packed.Unpack()
		if err != nil {
			return badLog("record %d: %w", r.leaf, err)
		}
		text, err := d.Text()
		if err != nil {
			return badLog("record %d: %w", r.leaf, err)
		}
		if evidence.LeafHash(text) != r.hash {
			return badLog("record %d, %s of %s, is not what was sealed", r.leaf, d.Date, d.Property)
		}
	}
	return nil
}
