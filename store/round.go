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

// round is one evaluation of a few properties in one transaction.
type round struct {
	s         *Store
	now       time.Time
	watermark time.Time
	deaf      []alerting.Gap // times in which nobody listened, as far as they may not be accounted for
	rawFrom   int64          // before, sealed days stand for raw rows; µs of Postgres
	jobs      []*job
	out       Evaluated
}

// judged is a property's evaluator with what belongs to its state. It is
// cached between rounds and valid for one state version only.
type judged struct {
	ev       *alerting.Evaluator
	version  int64 // of the state
	revision int32 // of the registration it was made for
	edge     []int16
	gateways []gatewayHeard
	recent   [2]snapshot // older first
	backlog  snapshot    // right after the late readings that came last
}

// snapshot is a state of a moment ago. Gateways do not send in step, so most of
// what is late is late by seconds; a checkpoint would be hours back.
type snapshot struct {
	pos   int64 // Unix µs; 0: none
	state []byte
	edge  []int16
}

// snapshotEvery is the event time between snapshots.
const snapshotEvery = time.Minute

// keep takes a snapshot where one is due.
func (j *judged) keep() {
	at := j.ev.EvaluatedTo()
	if at.IsZero() || at.UnixMicro()-j.recent[1].pos < snapshotEvery.Microseconds() {
		return
	}
	j.recent[0] = j.recent[1]
	j.recent[1] = snapshot{at.UnixMicro(), j.ev.EventState(), slices.Clone(j.edge)}
}

// before is the latest snapshot that a reading of this time does not make
// void; those that it does are forgotten.
func (j *judged) before(at int64) (snapshot, bool) {
	for i := len(j.recent) - 1; i >= 0; i-- {
		if s := j.recent[i]; s.pos != 0 && s.pos < at {
			return s, true
		}
		j.recent[i] = snapshot{}
	}
	if s := j.backlog; s.pos != 0 && s.pos <= at {
		return s, true
	}
	j.backlog = snapshot{}
	return snapshot{}, false
}

// gatewayHeard mirrors a row of gateway_status, times in Unix µs, 0 for never.
type gatewayHeard struct {
	heard, presenceAt int64
	presence          Presence
	written           int64 // heard, as it is in the table
	dirty             bool
}

// job is one property in a round.
type job struct {
	num       int32
	reg       *Registered
	version   int64 // of the state
	revision  int32 // of the registration, as the snapshot has it
	watermark time.Time
	wakeAt    time.Time
	j         *judged

	earliest     int64 // of new readings, Unix µs; maxMicros when none
	firstReceipt int64 // of what made it due; maxMicros when only a timer did
	late         bool
	reached      int64 // event time before going back
	from         int64 // readings from here on, Unix µs

	input   alerting.Input
	numbers []int32 // of the ledger's alarms
	output  alerting.Output
}

const maxMicros = int64(1) << 62

// run evaluates the properties among nums that no other worker holds.
func (r *round) run(ctx context.Context, nums []int32) (Evaluated, error) {
	r.jobs, r.out = nil, Evaluated{}
	defer func() { r.jobs = nil }()
	var err error
	if r.rawFrom, err = r.s.rawFrom(ctx); err != nil {
		return Evaluated{}, err
	}
	// One snapshot for everything: whatever readings it shows, it shows the
	// due rows that came with them.
	opts := pgx.TxOptions{IsoLevel: pgx.RepeatableRead}
	err = withTx(ctx, r.s.evaluation, opts, func(tx pgx.Tx) error {
		if err := r.claim(ctx, tx, nums); err != nil || len(r.jobs) == 0 {
			return err
		}
		for _, load := range []func(context.Context, pgx.Tx) error{
			r.takeDue, r.noteLate, r.loadDeaf, r.restore, r.rewind, r.loadReadings, r.loadTests, r.loadContacts, r.loadRefusals, r.loadLedgers,
		} {
			if err := load(ctx, tx); err != nil {
				return err
			}
		}
		for _, j := range r.jobs {
			if err := r.step(j); err != nil {
				return err
			}
		}
		return r.write(ctx, tx)
	})
	if err != nil {
		return Evaluated{}, err // the evaluators have moved on without the database; they are not put back
	}
	for _, j := range r.jobs {
		j.j.version++
		r.s.evaluator.put(j.num, j.j)
	}
	return r.out, nil
}

// claim locks evaluation rows; a row that another worker holds is passed over.
func (r *round) claim(ctx context.Context, tx pgx.Tx, nums []int32) error {
	rows, err := tx.Query(ctx, `SELECT e.property_id, state_version, watermark, wake_at, p.revision
		FROM evaluation e JOIN property p USING (property_id)
		WHERE e.property_id = ANY($1) ORDER BY e.property_id FOR UPDATE OF e SKIP LOCKED`, nums)
	if err != nil {
		return fmt.Errorf("claim properties: %w", err)
	}
	var j job
	var watermark, wake *time.Time
	_, err = pgx.ForEachRow(rows, []any{&j.num, &j.version, &watermark, &wake, &j.revision}, func() error {
		c := j
		c.watermark, c.wakeAt = instant(watermark), instant(wake)
		c.earliest, c.firstReceipt = maxMicros, maxMicros
		r.jobs = append(r.jobs, &c)
		return nil
	})
	if err != nil {
		return fmt.Errorf("claim properties: %w", err)
	}
	return r.findRegistered(ctx)
}

// findRegistered looks the claimed properties up, once more after a refresh
// when the registry is behind the snapshot: what a registration made due must
// be evaluated by that registration.
func (r *round) findRegistered(ctx context.Context) error {
	for attempt := range 2 {
		behind := 0
		reg := r.s.Registry()
		for _, j := range r.jobs {
			if j.reg = reg.byID[j.num]; j.reg == nil || j.reg.revision < j.revision {
				behind++
			}
		}
		if behind == 0 {
			break
		}
		if attempt == 1 {
			return fmt.Errorf("%d due properties are missing from the registry", behind)
		}
		if err := r.s.RefreshRegistry(ctx); err != nil {
			return err
		}
	}
	r.out.Properties = len(r.jobs)
	return nil
}

func (r *round) job(num int32) *job {
	i, ok := slices.BinarySearchFunc(r.jobs, num, func(j *job, n int32) int { return cmp.Compare(j.num, n) })
	if !ok {
		panic(fmt.Sprintf("store: row of property %d that was not claimed", num))
	}
	return r.jobs[i]
}

func (r *round) nums() []int32 {
	out := make([]int32, len(r.jobs))
	for i, j := range r.jobs {
		out[i] = j.num
	}
	return out
}

// takeDue reads and removes the due rows of the snapshot; later ones stay.
func (r *round) takeDue(ctx context.Context, tx pgx.Tx) error {
	rows, err := tx.Query(ctx, `WITH taken AS (DELETE FROM due WHERE property_id = ANY($1) RETURNING property_id, earliest_at, received_at)
		SELECT property_id, min(earliest_at), min(received_at) FROM taken GROUP BY property_id`, r.nums())
	if err != nil {
		return fmt.Errorf("take due rows: %w", err)
	}
	var num int32
	var earliest *time.Time
	var received time.Time
	_, err = pgx.ForEachRow(rows, []any{&num, &earliest, &received}, func() error {
		j := r.job(num)
		if earliest != nil {
			j.earliest = earliest.UnixMicro()
		}
		j.firstReceipt = received.UnixMicro()
		if r.out.Oldest.IsZero() || received.Before(r.out.Oldest) {
			r.out.Oldest = received.UTC()
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("take due rows: %w", err)
	}
	return nil
}

// restore gives each job its evaluator, from memory where the state there is
// the one in the database.
func (r *round) restore(ctx context.Context, tx pgx.Tx) error {
	var missing []int32
	for _, j := range r.jobs {
		j.j = r.s.evaluator.take(j.num)
		if j.j == nil || j.j.version != j.version || j.j.revision != j.reg.revision {
			j.j = nil
			missing = append(missing, j.num)
		}
	}
	if len(missing) == 0 {
		return nil
	}
	rows, err := tx.Query(ctx, `SELECT property_id, state, edge_series FROM evaluation WHERE property_id = ANY($1)`, missing)
	if err != nil {
		return fmt.Errorf("load states: %w", err)
	}
	var num int32
	var state []byte
	var edge []int16
	if _, err := pgx.ForEachRow(rows, []any{&num, &state, &edge}, func() error { return r.restoreJob(r.job(num), state, edge) }); err != nil {
		return fmt.Errorf("load states: %w", err)
	}
	return r.loadHeard(ctx, tx, missing)
}

func (r *round) restoreJob(j *job, state []byte, edge []int16) error {
	desc, err := describe(j.reg)
	if err != nil {
		return err
	}
	j.j = &judged{version: j.version, revision: j.reg.revision, edge: slices.Clone(edge), gateways: make([]gatewayHeard, len(j.reg.gateways))}
	return guarded(j.reg.ID, func() {
		j.j.ev = alerting.New(desc)
		if state == nil {
			return
		}
		if err := j.j.ev.Restore(state); err != nil {
			// Written by a release with another form of state: begin anew, from
			// the readings.
			r.s.log.Warn("evaluation begins anew", "property", j.reg.ID, "error", err)
			j.j.ev = alerting.New(desc)
			j.earliest, j.j.edge = 0, nil
		}
	})
}

// describe is a registration as the evaluator wants it.
func describe(p *Registered) (alerting.Description, error) {
	versions, err := p.Versions()
	if err != nil {
		return alerting.Description{}, err
	}
	d := alerting.Description{Property: p.ID, Gateways: p.Gateways()}
	for _, v := range versions {
		d.Versions = append(d.Versions, v.Property)
	}
	for _, s := range p.series {
		point := s.Point
		if point == StationPoint {
			point = "" // what the evaluator calls the station
		}
		d.Series = append(d.Series, alerting.Series{Point: point, Quantity: s.Quantity})
	}
	return d, nil
}

func (r *round) loadHeard(ctx context.Context, tx pgx.Tx, nums []int32) error {
	rows, err := tx.Query(ctx, `SELECT property_id, gateway_id, coalesce(heard_at, 'epoch'), presence, coalesce(presence_at, 'epoch')
		FROM gateway_status WHERE property_id = ANY($1)`, nums)
	if err != nil {
		return fmt.Errorf("load gateway status: %w", err)
	}
	var num int32
	var gateway int16
	var heard, presenceAt time.Time
	var presence Presence
	_, err = pgx.ForEachRow(rows, []any{&num, &gateway, &heard, &presence, &presenceAt}, func() error {
		if g := r.job(num).j.gateways; int(gateway) < len(g) {
			g[gateway] = gatewayHeard{heard: heard.UnixMicro(), presence: presence, presenceAt: presenceAt.UnixMicro(), written: heard.UnixMicro()}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("load gateway status: %w", err)
	}
	return nil
}

// rewind takes jobs with late readings back to a checkpoint before them, or to
// the beginning.
func (r *round) rewind(ctx context.Context, tx pgx.Tx) error {
	for _, j := range r.jobs {
		pos := j.j.ev.EvaluatedTo()
		if !pos.IsZero() {
			j.from = pos.UnixMicro()
		}
		if j.earliest == maxMicros || pos.IsZero() || !j.j.ev.Late(j.earliest) {
			continue
		}
		j.late, j.reached = true, j.from
		r.out.Late++
		if recent, ok := j.j.before(j.earliest); ok {
			if err := r.rewindTo(j, recent); err != nil {
				return err
			}
			continue
		}
		var at time.Time
		var state []byte
		err := tx.QueryRow(ctx, `SELECT at, state FROM checkpoint WHERE property_id = $1 AND at <= $2 ORDER BY at DESC LIMIT 1`,
			j.num, time.UnixMicro(j.earliest)).Scan(&at, &state)
		if err != nil && !isNoRows(err) {
			return fmt.Errorf("checkpoint of %s: %w", j.reg.ID, err)
		}
		if err := r.rewindTo(j, snapshot{pos: at.UnixMicro(), state: state}); err != nil {
			return err
		}
	}
	return nil
}

// rewindTo goes back to a state; a state that cannot be read, or nil, means
// the beginning.
func (r *round) rewindTo(j *job, to snapshot) error {
	return guarded(j.reg.ID, func() {
		j.j.edge = nil
		j.from = 0
		if to.state != nil {
			err := j.j.ev.Rewind(to.state)
			if err == nil {
				j.from, j.j.edge = to.pos, slices.Clone(to.edge)
				return
			}
			r.s.log.Warn("evaluation goes back to the beginning", "property", j.reg.ID, "error", err)
		}
		if err := j.j.ev.Rewind(nil); err != nil {
			panic(err)
		}
	})
}

// step runs the evaluator.
func (r *round) step(j *job) error {
	in := &j.input
	in.Watermark = r.watermark
	if j.watermark.After(in.Watermark) {
		in.Watermark = j.watermark
	}
	in.Deaf = r.deaf
	for _, c := range in.Contacts {
		// The clock of another machine may be ahead, or nobody listens any
		// more: what was received cannot be ahead of the horizon.
		if at := time.UnixMicro(c.At); at.After(in.Watermark) {
			in.Watermark = at
		}
	}
	in.CheckpointAfter = j.lastLate()
	r.out.Readings += len(in.Readings)
	return guarded(j.reg.ID, func() {
		j.output = j.j.ev.Step(*in)
		j.moveEdge()
		j.j.keep()
		j.keepBacklog()
		r.out.Changes += len(j.output.Changes)
	})
}

// moveEdge notes which series have a reading of just the time reached.
func (j *job) moveEdge() {
	pos := j.j.ev.EvaluatedTo()
	if pos.IsZero() {
		j.j.edge = nil
		return
	}
	at := pos.UnixMicro()
	if at != j.from {
		j.j.edge = j.j.edge[:0]
	}
	for i := len(j.input.Readings) - 1; i >= 0 && j.input.Readings[i].At == at; i-- {
		j.j.edge = append(j.j.edge, int16(j.input.Readings[i].Series))
	}
}

// lastLate is the event time of the latest of the new readings that were late;
// what a gateway forwards next will most likely follow on it.
func (j *job) lastLate() time.Time {
	if !j.late {
		return time.Time{}
	}
	for i := len(j.input.Readings) - 1; i >= 0; i-- {
		if rd := &j.input.Readings[i]; rd.At < j.reached && rd.Received >= j.firstReceipt {
			return time.UnixMicro(rd.At)
		}
	}
	return time.Time{}
}

// keepBacklog takes the checkpoint that lastLate asked for out of those that
// are filed.
func (j *job) keepBacklog() {
	j.output.Checkpoints = slices.DeleteFunc(j.output.Checkpoints, func(c alerting.Checkpoint) bool {
		if onGrid(c.At, alerting.CheckpointEvery) {
			return false
		}
		j.j.backlog = snapshot{pos: c.At.UnixMicro(), state: c.State}
		return true
	})
}
