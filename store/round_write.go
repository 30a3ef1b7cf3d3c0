package store

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/alerting"
)

// write puts down what the round came to.
func (r *round) write(ctx context.Context, tx pgx.Tx) error {
	var q pgx.Batch
	for _, j := range r.jobs {
		r.queueState(&q, j)
		queueHeard(&q, j)
		if err := r.queueCheckpoints(ctx, tx, &q, j); err != nil {
			return fmt.Errorf("checkpoints of %s: %w", j.reg.ID, err)
		}
	}
	changes, err := r.queueAlarms(ctx, tx, &q)
	if err != nil {
		return err
	}
	if err := tx.SendBatch(ctx, &q).Close(); err != nil {
		return fmt.Errorf("write evaluation: %w", err)
	}
	if err := r.settleVisits(ctx, tx); err != nil {
		return err
	}
	if len(changes) > 0 && r.s.opts.InEvaluation != nil {
		if err := r.s.opts.InEvaluation(ctx, tx, changes); err != nil {
			return fmt.Errorf("what follows from %d changes: %w", len(changes), err)
		}
	}
	return nil
}

func (r *round) queueState(q *pgx.Batch, j *job) {
	edge := j.j.edge
	if edge == nil {
		edge = []int16{}
	}
	q.Queue(`UPDATE evaluation SET state = $2, state_version = state_version + 1, evaluated_to = $3, edge_series = $4, watermark = $5,
			wake_at = $6, pump_cycle_at = $7, failures = 0, failure = NULL, retry_at = NULL WHERE property_id = $1`,
		j.num, j.j.ev.State(), nullInstant(j.j.ev.EvaluatedTo()), edge, j.input.Watermark, nullInstant(j.timer()), nullInstant(j.j.ev.LastPumpCycle()))
}

// timer is when to look again. The timer in the table is left alone while it
// comes early enough: each reading moves the moment of silence on, and moving
// an indexed column with each would cost more than one look too many.
func (j *job) timer() time.Time {
	wake := j.output.WakeAt
	if j.wakeAt.After(j.input.Watermark) && (wake.IsZero() || !j.wakeAt.After(wake)) {
		return j.wakeAt
	}
	return wake
}

func queueHeard(q *pgx.Batch, j *job) {
	for i := range j.j.gateways {
		g := &j.j.gateways[i]
		if !g.dirty {
			continue
		}
		g.dirty, g.written = false, g.heard
		q.Queue(`INSERT INTO gateway_status (property_id, gateway_id, heard_at, presence, presence_at) VALUES ($1, $2, $3, $4, $5)
			ON CONFLICT (property_id, gateway_id) DO UPDATE SET heard_at = excluded.heard_at,
				presence = excluded.presence, presence_at = excluded.presence_at`,
			j.num, i, microsOrNull(g.heard), int16(g.presence), microsOrNull(g.presenceAt))
	}
}

func microsOrNull(µs int64) any {
	if µs == 0 {
		return nil
	}
	return time.UnixMicro(µs).UTC()
}

// queueCheckpoints replaces the checkpoints that late data made void, files
// the new ones and thins out the old.
func (r *round) queueCheckpoints(ctx context.Context, tx pgx.Tx, q *pgx.Batch, j *job) error {
	if j.late {
		q.Queue(`DELETE FROM checkpoint WHERE property_id = $1 AND at > $2`, j.num, time.UnixMicro(j.from))
	}
	if len(j.output.Checkpoints) == 0 {
		return nil
	}
	pos := j.j.ev.EvaluatedTo()
	for _, c := range j.output.Checkpoints {
		if worthKeeping(c.At, pos) {
			q.Queue(`INSERT INTO checkpoint (property_id, at, state) VALUES ($1, $2, $3)
				ON CONFLICT (property_id, at) DO UPDATE SET state = excluded.state`, j.num, c.At, c.State)
		}
	}
	rows, err := tx.Query(ctx, `SELECT at FROM checkpoint WHERE property_id = $1`, j.num)
	if err != nil {
		return err
	}
	ats, err := pgx.CollectRows(rows, pgx.RowTo[time.Time])
	if err != nil {
		return err
	}
	ats = slices.DeleteFunc(ats, func(at time.Time) bool { return worthKeeping(at, pos) })
	if len(ats) > 0 {
		q.Queue(`DELETE FROM checkpoint WHERE property_id = $1 AND at = ANY($2)`, j.num, ats)
	}
	return nil
}

// worthKeeping thins checkpoints with age: the later the data, the rarer, and
// the longer the way back may be. Every 6 h for a day and a half, daily for a
// bit over a week, weekly for two months, then every four weeks for a year and
// a bit; some 40 altogether.
func worthKeeping(at, pos time.Time) bool {
	const day = 24 * time.Hour
	age := pos.Sub(at)
	switch {
	case age <= 36*time.Hour:
		return true
	case age <= 9*day:
		return onGrid(at, day)
	case age <= 63*day:
		return onGrid(at, 7*day)
	}
	return age <= 400*day && onGrid(at, 28*day)
}

func onGrid(at time.Time, every time.Duration) bool { return at.UnixMicro()%every.Microseconds() == 0 }

// alarmWrite is how one alarm stands after the round.
type alarmWrite struct {
	num, no int32
	alarm   alerting.Alarm
	// again: people must be told again, whatever they acknowledged before
	again bool
}

// queueAlarms writes alarms and journal, and returns the changes with the ids
// of their alarms.
func (r *round) queueAlarms(ctx context.Context, tx pgx.Tx, q *pgx.Batch) ([]AlarmChange, error) {
	if err := r.numberNew(ctx, tx); err != nil {
		return nil, err
	}
	var writes []alarmWrite
	var entries []journalEntry
	var out []AlarmChange
	for _, j := range r.jobs {
		writes = append(writes, j.alarmWrites()...)
		for _, c := range j.output.Changes {
			no := j.numbers[c.Ref]
			entries = append(entries, journalEntry{j.num, no, c.Known, c.Kind.String(), evaluatorActor, c.Reason, AlarmRecord{Alarm: c.Alarm}})
			out = append(out, AlarmChange{ID: AlarmID(j.reg.ID, no), Change: c})
			j.queueRegional(q, c)
		}
	}
	// Those that end go first: the next of the same kind may begin only then.
	slices.SortStableFunc(writes, func(a, b alarmWrite) int { return cmp.Compare(boolByte(a.open()), boolByte(b.open())) })
	for _, w := range writes {
		q.Queue(alarmSQL, w.args(r.now)...)
	}
	for _, e := range entries {
		q.Queue(journalSQL, e.args()...)
	}
	queueLateEntries(q, entries, r.now)
	return out, nil
}

// numberNew gives numbers to alarms that are not in the ledger yet.
func (r *round) numberNew(ctx context.Context, tx pgx.Tx) error {
	for _, j := range r.jobs {
		most := len(j.numbers) - 1
		for _, c := range j.output.Changes {
			most = max(most, c.Ref)
		}
		if most < len(j.numbers) {
			continue
		}
		var last int32
		if err := tx.QueryRow(ctx, `SELECT coalesce(max(alarm_no), 0) FROM alarm WHERE property_id = $1`, j.num).Scan(&last); err != nil {
			return fmt.Errorf("number alarms of %s: %w", j.reg.ID, err)
		}
		for len(j.numbers) <= most {
			last++
			j.numbers = append(j.numbers, last)
		}
	}
	return nil
}

// alarmWrites is how each changed alarm stands in the end.
func (j *job) alarmWrites() []alarmWrite {
	var out []alarmWrite
	index := map[int]int{}
	for _, c := range j.output.Changes {
		i, ok := index[c.Ref]
		if !ok {
			i = len(out)
			index[c.Ref] = i
			out = append(out, alarmWrite{num: j.num, no: j.numbers[c.Ref]})
		}
		out[i].alarm = c.Alarm
		out[i].again = out[i].again || c.Kind == alerting.Escalated
	}
	return out
}

func (w *alarmWrite) open() bool {
	return w.alarm.ClearedAt.IsZero() && w.alarm.WithdrawnAt.IsZero()
}

const alarmSQL = `INSERT INTO alarm (property_id, alarm_no, condition, point, priority, raised_at, known_at, cleared_at,
		withdrawn_at, withdrawn_why, call_out, suppressed_by, causes, remarks, priority_changes, changed_at)
	VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16)
	ON CONFLICT (property_id, alarm_no) DO UPDATE SET priority = excluded.priority, raised_at = excluded.raised_at,
		known_at = excluded.known_at, cleared_at = excluded.cleared_at, withdrawn_at = excluded.withdrawn_at,
		withdrawn_why = excluded.withdrawn_why, call_out = excluded.call_out, suppressed_by = excluded.suppressed_by,
		causes = excluded.causes, remarks = excluded.remarks, priority_changes = excluded.priority_changes, changed_at = excluded.changed_at,
		acknowledged_at = CASE WHEN $17 THEN NULL ELSE alarm.acknowledged_at END,
		acknowledged_by = CASE WHEN $17 THEN NULL ELSE alarm.acknowledged_by END`

func (w *alarmWrite) args(now time.Time) []any {
	a := &w.alarm
	var why any
	if !a.WithdrawnAt.IsZero() {
		why = cutText(a.WithdrawnWhy, 1000)
	}
	remarks := a.Remarks
	if remarks == nil {
		remarks = []string{}
	}
	return []any{w.num, w.no, string(a.Condition), a.Point, int16(a.Priority), a.RaisedAt, a.KnownAt, nullInstant(a.ClearedAt),
		nullInstant(a.WithdrawnAt), why, a.CallOut, nullText(string(a.SuppressedBy)), causesJSON(a.Causes), remarks,
		priorityChangesJSON(a.PriorityChanges), now, w.again}
}
