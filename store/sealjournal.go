package store

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/evidence"
)

// A change of an alarm is journalled under the time of the evaluator that found
// it. Where that evaluator was held up, or its clock is behind, the day of that
// time may be sealed by then. Who writes such an entry leaves a row in seal_due
// in the same transaction; sealing then compares the journal with what the
// records of the day tell.

// journalKey is what a journal entry is told from others by. Who made it is left
// out: a person's hash is another one once their salt was deleted.
type journalKey struct {
	at, raised, known, cleared, withdrawn int64
	alarm                                 int
	kind, condition, point                string
}

func journalKeyOf(e *evidence.JournalEntry) journalKey {
	return journalKey{e.At.UnixMicro(), e.RaisedAt.UnixMicro(), e.KnownAt.UnixMicro(), e.ClearedAt.UnixMicro(), e.WithdrawnAt.UnixMicro(),
		e.Alarm, e.Kind, e.Condition, e.Point}
}

// journalCount counts entries that are sealed.
type journalCount map[journalKey]int

func (c journalCount) add(entries []evidence.JournalEntry) {
	for i := range entries {
		c[journalKeyOf(&entries[i])]++
	}
}

// without are the entries that are not sealed.
func (c journalCount) without(entries []evidence.JournalEntry) (out []evidence.JournalEntry) {
	seen := journalCount{}
	for i := range entries {
		k := journalKeyOf(&entries[i])
		if seen[k]++; seen[k] > c[k] {
			out = append(out, entries[i])
		}
	}
	return out
}

// loadTold notes which changes of alarms are sealed of the days to amend.
func loadTold(ctx context.Context, tx pgx.Tx, j *sealJob) error {
	if !j.amends {
		return nil
	}
	for _, d := range j.days {
		d.told = journalCount{}
	}
	rows, err := tx.Query(ctx, `SELECT from_at, frame FROM sealed_day WHERE property_id = $1 AND leaf_no IS NOT NULL AND from_at >= $2 AND from_at < $3`,
		j.reg.Num, j.days[0].from, j.days[len(j.days)-1].to)
	if err != nil {
		return err
	}
	var from time.Time
	var frame []byte
	_, err = pgx.ForEachRow(rows, []any{&from, &frame}, func() error {
		at := j.dayOf(from.UnixMicro(), 0)
		if at < 0 {
			return nil
		}
		d, err := evidence.UnpackFrame(frame)
		if err == nil {
			j.days[at].told.add(d.Journal)
		}
		return err
	})
	return err
}

// untoldDays are the sealed days from that of a time on whose journal has more
// entries than their records tell, by the start of the day in µs of Postgres.
func (s *Store) untoldDays(ctx context.Context, p *Registered, from time.Time) (map[int64]bool, error) {
	rows, err := s.sealing.Query(ctx, `SELECT d.from_at, n.entries, array_agg(d.frame) FROM sealed_day d CROSS JOIN LATERAL (
			SELECT count(*) AS entries FROM alarm_journal j WHERE j.property_id = d.property_id AND j.at >= d.from_at AND j.at < d.to_at) n
		WHERE d.property_id = $1 AND d.leaf_no IS NOT NULL AND d.to_at > $2 AND n.entries > 0 GROUP BY d.from_at, n.entries`, p.Num, from)
	if err != nil {
		return nil, fmt.Errorf("journals of sealed days: %w", err)
	}
	out := map[int64]bool{}
	var start time.Time
	var entries int
	var frames [][]byte
	_, err = pgx.ForEachRow(rows, []any{&start, &entries, &frames}, func() error {
		for _, frame := range frames {
			d, err := evidence.UnpackFrame(frame)
			if err != nil {
				return err
			}
			entries -= len(d.Journal)
		}
		if entries > 0 {
			out[pgMicros(start)] = true
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("journals of sealed days: %w", err)
	}
	return out, nil
}

// queueLateEntries tells sealing of entries that are not of this very moment, by
// the clock of the round or by that of the database. It does not ask whether
// their day is sealed: one that is being sealed meanwhile, and does not see them
// yet, must be looked at again.
func queueLateEntries(q *pgx.Batch, entries []journalEntry, now time.Time) {
	earliest := map[int32]time.Time{}
	for i := range entries {
		e := &entries[i]
		if first, ok := earliest[e.num]; !ok || e.at.Before(first) {
			earliest[e.num] = e.at
		}
	}
	if len(earliest) == 0 {
		return
	}
	var nums []int32
	var ats []time.Time
	for _, num := range slices.Sorted(mapKeys(earliest)) {
		nums, ats = append(nums, num), append(ats, earliest[num])
	}
	q.Queue(`INSERT INTO seal_due (property_id, earliest_at) SELECT p, e FROM unnest($1::int4[], $2::timestamptz[]) u(p, e)
		WHERE e < greatest($3::timestamptz, clock_timestamp()) - $4::interval`, nums, ats, now, sealMargin/2)
}
