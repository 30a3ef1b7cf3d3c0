package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/jackc/pgx/v5"
)

// MaxBatch is how many records (readings and refusals) one call of Record
// should carry at most; more is correct, but holds everyone's acknowledgement
// back for longer.
const MaxBatch = 5000

const (
	// From this many readings on, a batch is first tried as a plain COPY, which
	// costs half as much as an insert that looks for duplicates.
	copyFrom = 32
	// After a COPY ran into a duplicate, this many batches go the careful way:
	// redeliveries come in crowds, and each failed COPY leaves dead rows.
	carefulBatches = 64
)

// Recorded counts what one call of Record came to.
type Recorded struct {
	Stored      int            // new readings
	Duplicate   int            // readings that were there already with the same value
	Quarantined map[Reason]int // refusals, conflicting duplicates, unstorable records; nil when none
}

// Total is how many records were dealt with.
func (r Recorded) Total() int {
	n := r.Stored + r.Duplicate
	for _, q := range r.Quarantined {
		n += q
	}
	return n
}

// recorder is what Record keeps from call to call.
type recorder struct {
	careful atomic.Int32 // batches left that go the careful way
	batches sync.Pool    // *batch
	noCopy  atomic.Bool  // row-level security binds ingest, and Postgres then refuses COPY
	busy    atomic.Int64 // ns that calls of Record took, all together; sealing gives way to them
}

// askCopy finds out whether a new connection may COPY readings.
func (r *recorder) askCopy(ctx context.Context, conn *pgx.Conn) error {
	var bound bool
	err := conn.QueryRow(ctx, `SELECT coalesce(row_security_active(to_regclass('public.readings')), false)`).Scan(&bound)
	if err != nil {
		return fmt.Errorf("ask whether row-level security binds ingest: %w", err)
	}
	r.noCopy.Store(bound)
	return nil
}

// Record stores everything in deliveries in one transaction: new readings, due
// rows for the properties they belong to, contacts, refusals. When it returns
// nil all of it is durable and the messages may be acknowledged. When it
// returns an error nothing can be said about the outcome, and recording the
// same deliveries again is harmless: a reading is stored once, the first value
// stands, and only the call that stores it marks its property as due.
//
// A record that cannot be stored goes to quarantine and hinders no other. An
// error therefore always concerns the database as a whole.
func (s *Store) Record(ctx context.Context, deliveries []Delivery) (Recorded, error) {
	began := time.Now()
	defer func() { s.recorder.busy.Add(int64(time.Since(began))) }()
	b, _ := s.recorder.batches.Get().(*batch)
	if b == nil {
		b = &batch{}
	}
	defer func() {
		b.release()
		s.recorder.batches.Put(b)
	}()
	if err := s.resolve(ctx, b, deliveries); err != nil {
		return Recorded{}, err
	}
	var out Recorded
	err := retrying(ctx, func() (err error) {
		out, err = s.recordBatch(ctx, b)
		return err
	})
	if err != nil {
		return Recorded{}, fmt.Errorf("record %d deliveries: %w", len(deliveries), err)
	}
	s.nudgeEvaluators()
	return out, nil
}

// recordBatch runs the cheapest transaction that may do, and a more careful
// one when it did not.
func (s *Store) recordBatch(ctx context.Context, b *batch) (Recorded, error) {
	rawFrom, err := s.rawFrom(ctx)
	if err != nil {
		return Recorded{}, err
	}
	b.setBelow(rawFrom)
	for _, m := range b.months {
		if err := s.ensureMonth(ctx, m); err != nil {
			return Recorded{}, err
		}
	}
	if len(b.rows) >= copyFrom && !s.recorder.noCopy.Load() && s.recorder.careful.Add(-1) < 0 {
		out, err := s.attempt(ctx, b, s.copyRows)
		if err == nil || !errors.Is(err, errCareful) {
			return out, err
		}
		s.recorder.careful.Store(carefulBatches)
	}
	out, err := s.attempt(ctx, b, s.insertRows)
	if errors.Is(err, errCareful) {
		return s.attempt(ctx, b, s.insertBisecting)
	}
	return out, err
}

// errCareful says that this way of writing failed because of the rows, and
// that a more careful one will tell which.
var errCareful = errors.New("needs a more careful way")

// attempt writes the batch in one transaction, its readings by way of write.
func (s *Store) attempt(ctx context.Context, b *batch, write func(context.Context, pgx.Tx, *batch) error) (Recorded, error) {
	b.begin()
	err := withTx(ctx, s.ingest, pgx.TxOptions{}, func(tx pgx.Tx) error {
		if len(b.rows) > 0 {
			if err := write(ctx, tx, b); err != nil {
				return err
			}
		}
		if len(b.below) > 0 {
			if err := s.writeBelow(ctx, tx, b); err != nil {
				return err
			}
		}
		return writeSides(ctx, tx, b)
	})
	switch {
	case err == nil:
		return b.recorded(), nil
	case errors.Is(err, errCareful):
		return Recorded{}, err
	}
	switch classify(err) {
	case failPartition: // dropped since it was last seen; look again
		s.partitions.forget()
		s.rawRows.forget()
	case failDuplicate, failRow:
		return Recorded{}, errors.Join(err, errCareful)
	}
	return Recorded{}, err
}

// copyRows is for batches of new readings alone; any duplicate fails it.
func (s *Store) copyRows(ctx context.Context, tx pgx.Tx, b *batch) error {
	b.buf = appendCopy(b.buf[:0], b.rows)
	if _, err := tx.Conn().PgConn().CopyFrom(ctx, bytes.NewReader(b.buf), copySQL); err != nil {
		return err
	}
	b.stored = len(b.rows)
	for i := range b.rows {
		b.noteNew(&b.rows[i])
	}
	return nil
}

// insertSQL stores what is not there yet and marks exactly the properties of
// the rows that it stored, from their earliest time.
const insertSQL = `
WITH new AS (
	INSERT INTO readings (property_id, series_id, gateway_id, at, value, received_at, at_receipt)
	SELECT p, s, g, t, v, r, nullif(f, false)
	FROM unnest($1::int4[], $2::int2[], $3::int2[], $4::timestamptz[], $5::float8[], $6::timestamptz[], $7::bool[]) u(p, s, g, t, v, r, f)
	ON CONFLICT DO NOTHING
	RETURNING property_id, at, received_at
), queued AS (
	INSERT INTO due (property_id, earliest_at, received_at)
	SELECT property_id, min(at), min(received_at) FROM new GROUP BY property_id
)
SELECT count(*) FROM new`

// conflictSQL finds the rows whose key is taken by another value.
const conflictSQL = `
SELECT u.i FROM unnest($1::int4[], $2::int2[], $3::int2[], $4::timestamptz[], $5::float8[], $6::timestamptz[], $7::bool[])
	WITH ORDINALITY u(p, s, g, t, v, r, f, i)
JOIN readings ON property_id = p AND series_id = s AND at = t
WHERE value <> v`

// insertRows stores what is new and finds conflicting duplicates.
func (s *Store) insertRows(ctx context.Context, tx pgx.Tx, b *batch) error {
	sortRows(b.rows)
	return insertSorted(ctx, tx, b, b.rows)
}

func insertSorted(ctx context.Context, tx pgx.Tx, b *batch, rows []row) error {
	args := b.arrays.fill(rows)
	counted, err := execPrepared(ctx, tx, "record_insert", insertSQL, args)
	if err != nil {
		return err
	}
	n, err := countOf(counted)
	if err != nil {
		return err
	}
	b.stored += n
	if n == len(rows) {
		return nil
	}
	found, err := execPrepared(ctx, tx, "record_conflict", conflictSQL, args)
	if err != nil {
		return err
	}
	for _, r := range found {
		i, err := int8Of(r)
		if err != nil {
			return err
		}
		b.refuse(&rows[i-1], ReasonConflict, "another value was there first for this time")
	}
	b.duplicate += len(rows) - n - len(found)
	for i := range rows {
		// Which of these brought nothing new is not worth finding out: each
		// was heard.
		b.heard(rows[i].property, rows[i].gateway, rows[i].received, PresenceNone)
	}
	return nil
}

// insertBisecting halves until the rows that cannot be stored stand alone,
// under savepoints of the same transaction.
func (s *Store) insertBisecting(ctx context.Context, tx pgx.Tx, b *batch) error {
	sortRows(b.rows)
	return bisect(ctx, tx, b, b.rows)
}

func bisect(ctx context.Context, tx pgx.Tx, b *batch, rows []row) error {
	mark := b.mark()
	sp, err := tx.Begin(ctx)
	if err != nil {
		return fmt.Errorf("savepoint: %w", err)
	}
	err = insertSorted(ctx, sp, b, rows)
	if err == nil {
		return sp.Commit(ctx)
	}
	if rerr := sp.Rollback(ctx); rerr != nil {
		return errors.Join(err, rerr)
	}
	b.reset(mark)
	if k := classify(err); k != failRow && k != failPartition && k != failDuplicate {
		return err
	}
	if len(rows) == 1 {
		b.refuse(&rows[0], ReasonNotStorable, err.Error())
		return nil
	}
	half := len(rows) / 2
	if err := bisect(ctx, tx, b, rows[:half]); err != nil {
		return err
	}
	return bisect(ctx, tx, b, rows[half:])
}

// resolve turns names into numbers and sets aside what no table would take.
func (s *Store) resolve(ctx context.Context, b *batch, deliveries []Delivery) error {
	b.deliveries = deliveries
	reg := s.Registry()
	refreshed := false
	for i := range deliveries {
		d := &deliveries[i]
		if b.add(reg, i, d) {
			continue
		}
		if !refreshed {
			// It may have been registered on another machine a moment ago.
			refreshed = true
			if err := s.RefreshRegistry(ctx); err != nil {
				return err
			}
			reg = s.Registry()
			if b.add(reg, i, d) {
				continue
			}
		}
		b.addStranger(reg, d)
	}
	return nil
}

func lookup(reg *Registry, d *Delivery) (*Registered, bool) {
	p, ok := reg.Property(d.Property)
	if !ok {
		return nil, false
	}
	_, ok = p.Source(d.Gateway)
	return p, ok
}

// storableFrom and storableTo bound event times beyond any property's
// installation and any sane clock.
var (
	storableFrom = pgMicros(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))
	storableTo   = pgMicros(time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC))
)

// unstorable says why a row must not reach a table; "" if it may. Ingest has
// checked all this; the store does not rely on it.
func unstorable(r *row) string {
	switch {
	case math.IsNaN(r.value) || math.IsInf(r.value, 0):
		return "value is not a finite number"
	case r.at < storableFrom || r.at >= storableTo:
		return "time is outside the years 2000 to 2199"
	case r.at > r.received+int64(24*time.Hour/time.Microsecond):
		return "time is more than a day ahead of the receipt"
	}
	return ""
}

// execPrepared runs a statement with binary parameters that are encoded
// already, and returns its rows in binary.
func execPrepared(ctx context.Context, tx pgx.Tx, name, sql string, args [][]byte) ([][][]byte, error) {
	conn := tx.Conn()
	// Does nothing where this connection has it already.
	if _, err := conn.Prepare(ctx, name, sql); err != nil {
		return nil, err
	}
	res := conn.PgConn().ExecPrepared(ctx, name, args, allBinary, allBinary).Read()
	return res.Rows, res.Err
}

var allBinary = []int16{1}

// monthsOf lists the months that rows fall into.
func monthsOf(months []month, rows []row) []month {
	var lo, hi int64 = 1, 0
	for i := range rows {
		if at := rows[i].at; at >= lo && at < hi {
			continue
		}
		m := monthOf(timeOfMicros(rows[i].at))
		lo, hi = pgMicros(m.start()), pgMicros((m + 1).start())
		if !slices.Contains(months, m) {
			months = append(months, m)
		}
	}
	return months
}
