package store

import (
	"cmp"
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/alerting"
	"underkeep/store/site"
)

// readingsSQL probes the index once per series. $4 and $5 bound all of them,
// so that months without any are left out before the query runs.
const readingsSQL = `
SELECT u.p, u.s, r.gateway_id, r.at, r.value, r.received_at
FROM unnest($1::int4[], $2::int2[], $3::timestamptz[]) u(p, s, f)
CROSS JOIN LATERAL (
	SELECT gateway_id, at, value, received_at FROM readings
	WHERE property_id = u.p AND series_id = u.s AND at >= u.f AND at >= $4 AND at < $5
) r`

// loadReadings brings what each evaluator has not seen. Those that were taken
// back read alone, since they begin in other months.
func (r *round) loadReadings(ctx context.Context, tx pgx.Tx) error {
	var inOrder []*job
	for _, j := range r.jobs {
		if j.earliest == maxMicros {
			continue // nothing new was measured
		}
		if j.late || j.from == 0 || j.earliest-pgEpochMicros < r.rawFrom {
			if err := r.addSealed(ctx, tx, j); err != nil {
				return err
			}
		}
		if j.late || j.from == 0 {
			if err := r.query(ctx, tx, []*job{j}); err != nil {
				return err
			}
			continue
		}
		inOrder = append(inOrder, j)
	}
	if len(inOrder) > 0 {
		if err := r.query(ctx, tx, inOrder); err != nil {
			return err
		}
	}
	for _, j := range r.jobs {
		j.arrange()
	}
	return nil
}

func (r *round) query(ctx context.Context, tx pgx.Tx, jobs []*job) error {
	if _, err := tx.Conn().Prepare(ctx, "evaluation_readings", readingsSQL); err != nil {
		return fmt.Errorf("load readings: %w", err)
	}
	res := tx.Conn().PgConn().ExecPrepared(ctx, "evaluation_readings", r.readingArgs(jobs), allBinary, allBinary)
	be := binary.BigEndian
	for res.NextRow() {
		v := res.Values()
		j := r.job(int32(be.Uint32(v[0])))
		j.input.Readings = append(j.input.Readings, alerting.Reading{
			Series:   be.Uint16(v[1]),
			Gateway:  j.reg.speaker(int16(be.Uint16(v[2]))),
			At:       int64(be.Uint64(v[3])) + pgEpochMicros,
			Value:    math.Float64frombits(be.Uint64(v[4])),
			Received: int64(be.Uint64(v[5])) + pgEpochMicros,
		})
	}
	if _, err := res.Close(); err != nil {
		return fmt.Errorf("load readings: %w", err)
	}
	return nil
}

func (r *round) readingArgs(jobs []*job) [][]byte {
	n := 0
	for _, j := range jobs {
		n += len(j.reg.series)
	}
	be := binary.BigEndian
	properties := appendArrayHeader(nil, oidInt4, n)
	series := appendArrayHeader(nil, oidInt2, n)
	from := appendArrayHeader(nil, oidTimestamptz, n)
	first := maxMicros
	for _, j := range jobs {
		at := max(j.from-pgEpochMicros, r.rawFrom)
		first = min(first, at)
		for i := range j.reg.series {
			properties = be.AppendUint32(be.AppendUint32(properties, 4), uint32(j.num))
			series = be.AppendUint16(be.AppendUint32(series, 2), uint16(i))
			from = be.AppendUint64(be.AppendUint32(from, 8), uint64(at))
		}
	}
	last := pgMicros(r.now.Add(48 * time.Hour)) // nothing further ahead is stored
	return [][]byte{properties, series, from, be.AppendUint64(nil, uint64(first)), be.AppendUint64(nil, uint64(last))}
}

// arrange sorts the readings and leaves out those of the very instant reached
// that the evaluator has had. New receipts are contacts.
func (j *job) arrange() {
	in := &j.input
	in.Readings = slices.DeleteFunc(in.Readings, func(rd alerting.Reading) bool {
		return rd.At == j.from && slices.Contains(j.j.edge, int16(rd.Series))
	})
	slices.SortFunc(in.Readings, func(a, b alerting.Reading) int {
		return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.Series, b.Series))
	})
	type contact struct {
		at      int64
		gateway uint16
	}
	seen := map[contact]bool{}
	for _, rd := range in.Readings {
		if j.late && rd.Received < j.firstReceipt {
			continue // was heard when it came
		}
		if c := (contact{rd.Received, rd.Gateway}); !seen[c] {
			seen[c] = true
			in.Contacts = append(in.Contacts, alerting.Contact{At: rd.Received, Gateway: rd.Gateway})
		}
	}
}

// contactOverlap is how long after its receipt a contact may be committed and
// still count.
const contactOverlap = 2 * time.Minute

// loadContacts adds what was heard besides readings, as far as it is news.
func (r *round) loadContacts(ctx context.Context, tx pgx.Tx) error {
	since := make([]time.Time, len(r.jobs))
	for i, j := range r.jobs {
		since[i] = j.watermark.Add(-contactOverlap)
		if j.watermark.IsZero() {
			since[i] = j.reg.AcceptsFrom
		}
	}
	rows, err := tx.Query(ctx, `SELECT c.property_id, c.gateway_id, c.presence, c.heard_at
		FROM unnest($1::int4[], $2::timestamptz[]) u(p, f) JOIN contact c ON c.property_id = u.p AND c.heard_at > u.f
		ORDER BY c.heard_at`, r.nums(), since)
	if err != nil {
		return fmt.Errorf("load contacts: %w", err)
	}
	var num int32
	var gateway int16
	var presence Presence
	var heard time.Time
	_, err = pgx.ForEachRow(rows, []any{&num, &gateway, &presence, &heard}, func() error {
		j := r.job(num)
		c := alerting.Contact{At: heard.UnixMicro(), Gateway: j.reg.speaker(gateway), Presence: alerting.Presence(presence)}
		if j.j.isNews(c) {
			j.input.Contacts = append(j.input.Contacts, c)
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("load contacts: %w", err)
	}
	for _, j := range r.jobs {
		slices.SortFunc(j.input.Contacts, func(a, b alerting.Contact) int {
			return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.Gateway, b.Gateway), cmp.Compare(a.Presence, b.Presence))
		})
		for _, c := range j.input.Contacts {
			j.j.hear(c)
		}
	}
	return nil
}

// isNews keeps a contact that was loaded before from being taken twice.
func (j *judged) isNews(c alerting.Contact) bool {
	if int(c.Gateway) >= len(j.gateways) {
		return false
	}
	g := &j.gateways[c.Gateway]
	if c.Presence != alerting.PresenceNone {
		return c.At > g.presenceAt
	}
	return c.At > g.heard
}

// hear keeps what a page shows of the gateway. A presence that only repeats
// what is known is no sign of life.
func (j *judged) hear(c alerting.Contact) {
	if int(c.Gateway) >= len(j.gateways) {
		return
	}
	g := &j.gateways[c.Gateway]
	if p := Presence(c.Presence); p != PresenceNone {
		g.dirty = true
		if p == PresenceOffline || p == g.presence {
			g.presence, g.presenceAt = p, c.At
			return
		}
		g.presence, g.presenceAt = p, c.At
	}
	g.heard = max(g.heard, c.At)
	if g.heard-g.written > (10 * time.Second).Microseconds() {
		g.dirty = true
	}
}

// loadRefusals takes what went to quarantine for its value or its time, each
// once.
func (r *round) loadRefusals(ctx context.Context, tx pgx.Tx) error {
	rows, err := tx.Query(ctx, `UPDATE quarantine SET judged = true WHERE property_id = ANY($1) AND property_id > 0 AND NOT judged
		RETURNING property_id, received_at, topic, reason, coalesce(point, ''), coalesce(quantity, 0), coalesce(value, 'NaN')`, r.nums())
	if err != nil {
		return fmt.Errorf("load refusals: %w", err)
	}
	var num int32
	var received time.Time
	var topic, point string
	var reason Reason
	var quantity int16
	var value float64
	_, err = pgx.ForEachRow(rows, []any{&num, &received, &topic, &reason, &point, &quantity, &value}, func() error {
		j := r.job(num)
		if f, ok := JudgedRefusal(reason, point); ok {
			f.At, f.Quantity, f.Value, f.Gateway = received.UnixMicro(), site.Quantity(quantity), value, gatewayOf(j.reg, topic)
			j.input.Refusals = append(j.input.Refusals, f)
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("load refusals: %w", err)
	}
	for _, j := range r.jobs {
		slices.SortStableFunc(j.input.Refusals, func(a, b alerting.Refusal) int {
			return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.Point, b.Point), cmp.Compare(a.Quantity, b.Quantity))
		})
	}
	return nil
}

// JudgedRefusal says whether a refusal speaks against a sensor: an impossible
// value, or a time that cannot be.
func JudgedRefusal(reason Reason, point string) (f alerting.Refusal, ok bool) {
	f.Point, f.Impossible = point, reason == ReasonImpossible
	atTime := reason == ReasonTimeAhead || reason == ReasonTimeTooEarly || reason == ReasonTimeRelative
	return f, point != "" && (f.Impossible || atTime)
}

// gatewayOf finds the gateway in a topic, 0 where it names none.
func gatewayOf(p *Registered, topic string) uint16 {
	parts := strings.Split(topic, "/")
	if len(parts) < 4 {
		return 0
	}
	return p.speaker(p.gatewayByName[parts[3]])
}

// loadLedgers brings the alarms that are open or ended since the time from which
// each evaluator goes on: one that ended at that very instant ends again.
func (r *round) loadLedgers(ctx context.Context, tx pgx.Tx) error {
	from := make([]time.Time, len(r.jobs))
	for i, j := range r.jobs {
		from[i] = time.UnixMicro(j.from)
	}
	rows, err := tx.Query(ctx, `SELECT a.property_id, a.alarm_no, a.condition, a.point, a.priority, a.raised_at, a.known_at, a.cleared_at,
			a.call_out, coalesce(a.suppressed_by, ''), a.causes, a.remarks, a.priority_changes
		FROM unnest($1::int4[], $2::timestamptz[]) u(p, f)
		JOIN alarm a ON a.property_id = u.p AND a.withdrawn_at IS NULL AND (a.cleared_at IS NULL OR a.cleared_at >= u.f)
		ORDER BY a.property_id, a.alarm_no`, r.nums(), from)
	if err != nil {
		return fmt.Errorf("load alarms: %w", err)
	}
	_, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (struct{}, error) {
		return struct{}{}, r.addToLedger(row)
	})
	if err != nil {
		return fmt.Errorf("load alarms: %w", err)
	}
	return nil
}

func (r *round) addToLedger(row pgx.CollectableRow) error {
	var num, no int32
	var a alerting.Alarm
	var cleared *time.Time
	var causes, changes []byte
	err := row.Scan(&num, &no, &a.Condition, &a.Point, &a.Priority, &a.RaisedAt, &a.KnownAt, &cleared,
		&a.CallOut, &a.SuppressedBy, &causes, &a.Remarks, &changes)
	if err != nil {
		return err
	}
	j := r.job(num)
	a.Property = j.reg.ID
	a.RaisedAt, a.KnownAt, a.ClearedAt = a.RaisedAt.UTC(), a.KnownAt.UTC(), instant(cleared)
	if a.Causes, err = parseCauses(causes); err != nil {
		return fmt.Errorf("alarm %s: %w", AlarmID(a.Property, no), err)
	}
	if a.PriorityChanges, err = parsePriorityChanges(changes); err != nil {
		return fmt.Errorf("alarm %s: %w", AlarmID(a.Property, no), err)
	}
	j.input.Ledger = append(j.input.Ledger, a)
	j.numbers = append(j.numbers, no)
	return nil
}
