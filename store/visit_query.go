package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/site"
	"underkeep/store/visit"
)

const visitColumns = `p.name, p.title, p.area, v.visit_no, v.kind, v.state, v.origin, v.reason, v.due_on, v.crew, coalesce(v.assigned_to, 0),
	coalesce(w.name, ''), coalesce(v.alarm_no, 0), v.planned_at, v.planned_by, v.started_at, coalesce(v.started_by, ''),
	v.ended_at, coalesce(v.ended_by, ''), v.findings, v.work, v.revision, v.changed_at`

const visitFrom = ` FROM visit v JOIN property p USING (property_id) LEFT JOIN person w ON w.person_id = v.assigned_to `

func scanVisit(row pgx.Row, more ...any) (v visit.Visit, err error) {
	var due, started, ended *time.Time
	var alarm int32
	dest := append([]any{&v.Property, &v.Name, &v.Area, &v.No, &v.Kind, &v.State, &v.Origin, &v.Reason, &due, &v.Crew, &v.AssignedTo,
		&v.AssignedName, &alarm, &v.PlannedAt, &v.PlannedBy, &started, &v.StartedBy,
		&ended, &v.EndedBy, &v.Findings, &v.Work, &v.Revision, &v.ChangedAt}, more...)
	if err := row.Scan(dest...); err != nil {
		return v, err
	}
	v.ID = visit.ID(v.Property, v.No)
	if alarm != 0 {
		v.Alarm = AlarmID(v.Property, alarm)
	}
	if due != nil {
		v.DueOn = &site.Date{Year: due.Year(), Month: due.Month(), Day: due.Day()}
	}
	v.PlannedAt, v.ChangedAt = v.PlannedAt.UTC(), v.ChangedAt.UTC()
	v.StartedAt, v.EndedAt = instant(started), instant(ended)
	return v, nil
}

func lockVisit(ctx context.Context, tx pgx.Tx, property string, num, no int32) (visit.Visit, error) {
	v, err := scanVisit(tx.QueryRow(ctx, `SELECT `+visitColumns+visitFrom+`WHERE v.property_id = $1 AND v.visit_no = $2 FOR UPDATE OF v`, num, no))
	if isNoRows(err) {
		return v, notFound("visit %s", visit.ID(property, no))
	}
	return v, err
}

// VisitQuery asks for a page of visits: open ones by the day they are due, those
// without a day last; ended ones latest first, behind them.
type VisitQuery struct {
	Scope    Scope
	Property string // "" any
	States   []visit.State
	Kind     visit.Kind // "" any
	// Assigned limits to a person's visits, 0 any; AssignedName likewise by
	// name, for who signed in without being a person.
	Assigned     int32
	AssignedName string
	Crew         string
	Area         string
	DueBy        *site.Date // due on that day or before; nil any
	Cursor       string
	Limit        int
}

// visitKey is where a page of visits ended.
type visitKey struct {
	Over bool   `json:"o"`
	Sort string `json:"s"`
	Num  int32  `json:"p"`
	No   int32  `json:"n"`
}

// visitOrder sorts as text: open visits by their day, ended ones by how long
// before the year 2300 they ended.
const visitOrder = `CASE WHEN v.ended_at IS NULL THEN coalesce(to_char(v.due_on, 'YYYYMMDD'), '99999999')
	ELSE to_char(extract(epoch FROM timestamptz '2300-01-01 00:00+00' - v.ended_at) * 1000000, 'FM00000000000000000000') END`

// Visits lists a page; next is "" at the end.
func (s *Store) Visits(ctx context.Context, q VisitQuery) (page []visit.Visit, next string, err error) {
	var after visitKey
	more, err := decodeCursor(q.Cursor, &after)
	if err != nil {
		return nil, "", err
	}
	all, names := q.Scope.args()
	states := make([]string, len(q.States))
	for i, st := range q.States {
		states[i] = string(st)
	}
	limit := pageSize(q.Limit)
	rows, err := s.api.Query(ctx, `SELECT `+visitColumns+`, v.property_id, `+visitOrder+visitFrom+`
		WHERE ($1 OR p.name = ANY($2)) AND ($3 = '' OR p.name = $3) AND (cardinality($4::text[]) = 0 OR v.state = ANY($4))
			AND ($5 = '' OR v.kind = $5) AND ($6 = 0 AND $7 = '' OR v.assigned_to = $6 OR $7 <> '' AND w.name = $7)
			AND ($8 = '' OR v.crew = $8) AND ($9 = '' OR p.area = $9) AND ($10::date IS NULL OR v.due_on <= $10)
			AND (NOT $11 OR (v.ended_at IS NOT NULL, `+visitOrder+`, v.property_id, v.visit_no) > ($12, $13, $14, $15))
		ORDER BY v.ended_at IS NOT NULL, `+visitOrder+`, v.property_id, v.visit_no LIMIT $16`,
		all, names, q.Property, states, string(q.Kind), q.Assigned, q.AssignedName, q.Crew, q.Area, dateArg(q.DueBy),
		more, after.Over, after.Sort, after.Num, after.No, limit+1)
	if err != nil {
		return nil, "", fmt.Errorf("list visits: %w", err)
	}
	var keys []visitKey
	page, err = pgx.CollectRows(rows, func(r pgx.CollectableRow) (visit.Visit, error) {
		var k visitKey
		v, err := scanVisit(r, &k.Num, &k.Sort)
		k.Over, k.No = !v.EndedAt.IsZero(), v.No
		keys = append(keys, k)
		return v, err
	})
	if err != nil {
		return nil, "", fmt.Errorf("list visits: %w", err)
	}
	if len(page) > limit {
		page, next = page[:limit], encodeCursor(keys[limit-1])
	}
	return page, next, nil
}

// Visit is one visit with everything recorded at it.
func (s *Store) Visit(ctx context.Context, scope Scope, id string) (visit.Record, error) {
	property, no, ok := visit.ParsePartID(id, 'v')
	if !ok || !scope.Sees(property) {
		return visit.Record{}, notFound("visit %.60q", id)
	}
	var out visit.Record
	err := withTx(ctx, s.api, pgx.TxOptions{AccessMode: pgx.ReadOnly, IsoLevel: pgx.RepeatableRead}, func(tx pgx.Tx) (err error) {
		var num int32
		v, err := scanVisit(tx.QueryRow(ctx, `SELECT `+visitColumns+`, v.property_id`+visitFrom+`WHERE p.name = $1 AND v.visit_no = $2`, property, no), &num)
		if isNoRows(err) {
			return ErrNotFound
		}
		if err != nil {
			return err
		}
		out, err = loadVisitRecord(ctx, tx, num, v)
		return err
	})
	if err != nil {
		return visit.Record{}, fmt.Errorf("visit %s: %w", id, err)
	}
	return out, nil
}

// loadVisitRecord brings everything that was recorded at a visit.
func loadVisitRecord(ctx context.Context, tx pgx.Tx, num int32, v visit.Visit) (r visit.Record, err error) {
	r.Visit = v
	if r.Readings, err = visitReadings(ctx, tx, num, v.No); err != nil {
		return r, err
	}
	if r.Parts, err = visitParts(ctx, tx, num, v.No); err != nil {
		return r, err
	}
	if r.Photos, err = visitPhotos(ctx, tx, num, v); err != nil {
		return r, err
	}
	if r.Checks, err = queryChecks(ctx, tx, `WHERE c.property_id = $1 AND c.visit_no = $2 ORDER BY c.check_no`, num, v.No); err != nil {
		return r, err
	}
	if r.Tests, err = queryTests(ctx, tx, `WHERE t.property_id = $1 AND t.visit_no = $2 ORDER BY t.test_no`, num, v.No); err != nil {
		return r, err
	}
	if r.Holds, err = visitHolds(ctx, tx, num, v.No); err != nil {
		return r, err
	}
	r.Journal, err = visitJournal(ctx, tx, num, v.No)
	return r, err
}

// asker is a pool or a transaction.
type asker interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
}

// collect runs a query of one part of a visit.
func collect[T any](ctx context.Context, q asker, what string, scan func(pgx.CollectableRow) (T, error), sql string, args ...any) ([]T, error) {
	rows, err := q.Query(ctx, sql, args...)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", what, err)
	}
	out, err := pgx.CollectRows(rows, scan)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", what, err)
	}
	return out, nil
}

func visitReadings(ctx context.Context, q asker, num, no int32) ([]visit.HandReading, error) {
	return collect(ctx, q, "readings by hand", func(r pgx.CollectableRow) (h visit.HandReading, err error) {
		err = r.Scan(&h.No, &h.At, &h.Quantity, &h.Place, &h.Value, &h.Unit, &h.Remark)
		h.At = h.At.UTC()
		return h, err
	}, `SELECT reading_no, at, quantity, place, value, unit, remark FROM visit_reading WHERE property_id = $1 AND visit_no = $2 ORDER BY reading_no`, num, no)
}

func visitParts(ctx context.Context, q asker, num, no int32) ([]visit.Part, error) {
	return collect(ctx, q, "parts", func(r pgx.CollectableRow) (p visit.Part, err error) {
		return p, r.Scan(&p.No, &p.Part, &p.Pieces, &p.Serial)
	}, `SELECT part_no, part, pieces, serial FROM visit_part WHERE property_id = $1 AND visit_no = $2 ORDER BY part_no`, num, no)
}

func visitPhotos(ctx context.Context, q asker, num int32, v visit.Visit) ([]visit.Photo, error) {
	return collect(ctx, q, "photos", func(r pgx.CollectableRow) (p visit.Photo, err error) {
		var sum []byte
		if err := r.Scan(&p.No, &p.AddedAt, &p.Caption, &p.MediaType, &p.Width, &p.Height, &sum); err != nil {
			return p, err
		}
		p.ID, p.Visit, p.AddedAt, p.SHA256 = visit.PartID(v.Property, 'p', p.No), v.ID, p.AddedAt.UTC(), [32]byte(sum)
		return p, nil
	}, `SELECT photo_no, added_at, caption, media_type, width, height, sha256 FROM visit_photo WHERE property_id = $1 AND visit_no = $2 ORDER BY photo_no`, num, v.No)
}

func visitHolds(ctx context.Context, q asker, num, no int32) ([]visit.Hold, error) {
	return collect(ctx, q, "alarms out of service", func(r pgx.CollectableRow) (h visit.Hold, err error) {
		err = r.Scan(&h.Condition, &h.Point, &h.From, &h.Until, &h.By, &h.Reason)
		h.From, h.Until = h.From.UTC(), h.Until.UTC()
		return h, err
	}, `SELECT condition, point, from_at, until_at, held_by, reason FROM visit_hold WHERE property_id = $1 AND visit_no = $2 ORDER BY condition, point`, num, no)
}

func visitJournal(ctx context.Context, q asker, num, no int32) ([]visit.Entry, error) {
	return collect(ctx, q, "journal", func(r pgx.CollectableRow) (e visit.Entry, err error) {
		err = r.Scan(&e.At, &e.Kind, &e.Actor, &e.Why, &e.Ref, &e.Detail)
		e.At = e.At.UTC()
		return e, err
	}, `SELECT at, kind, actor, why, coalesce(ref, 0), detail FROM visit_journal WHERE property_id = $1 AND visit_no = $2 ORDER BY entry_id`, num, no)
}

const checkColumns = `SELECT p.name, c.check_no, coalesce(c.visit_no, 0), c.at, c.recorded_at, c.recorded_by, coalesce(c.person_id, 0), c.point, c.serial, c.salt,
	c.temp_c, c.read_pct, c.expected_pct, c.salt_limit_pct, c.accuracy_pct, c.tolerance_pct, c.within, c.offset_pct, c.offset_standard_pct, c.remark,
	c.withdrawn_at, coalesce(c.withdrawn_by, ''), coalesce(c.withdrawn_why, '') FROM sensor_check c JOIN property p USING (property_id) `

func queryChecks(ctx context.Context, q asker, where string, args ...any) ([]visit.SensorCheck, error) {
	return collect(ctx, q, "sensor checks", func(r pgx.CollectableRow) (c visit.SensorCheck, err error) {
		var of int32
		var withdrawn *time.Time
		err = r.Scan(&c.Property, &c.No, &of, &c.At, &c.RecordedAt, &c.RecordedBy, &c.Person, &c.Point, &c.Serial, &c.Salt,
			&c.TempC, &c.ReadPct, &c.ExpectedPct, &c.SaltLimitPct, &c.AccuracyPct, &c.TolerancePct, &c.Within, &c.OffsetPct, &c.OffsetStandardPct,
			&c.Remark, &withdrawn, &c.WithdrawnBy, &c.WithdrawnWhy)
		c.ID, c.Visit = visit.PartID(c.Property, 'c', c.No), visit.PartID(c.Property, 'v', of)
		c.At, c.RecordedAt, c.WithdrawnAt = c.At.UTC(), c.RecordedAt.UTC(), instant(withdrawn)
		return c, err
	}, checkColumns+where, args...)
}

const testColumns = `SELECT p.name, t.test_no, coalesce(t.visit_no, 0), t.at, t.recorded_at, t.recorded_by, coalesce(t.person_id, 0), t.pump, t.method, t.ran,
	coalesce(t.poured_l, 0), coalesce(t.draw_down_s, 0), t.remark, t.withdrawn_at, coalesce(t.withdrawn_by, ''), coalesce(t.withdrawn_why, '')
	FROM pump_test t JOIN property p USING (property_id) `

func queryTests(ctx context.Context, q asker, where string, args ...any) ([]visit.PumpTest, error) {
	return collect(ctx, q, "pump tests", func(r pgx.CollectableRow) (t visit.PumpTest, err error) {
		var of int32
		var withdrawn *time.Time
		err = r.Scan(&t.Property, &t.No, &of, &t.At, &t.RecordedAt, &t.RecordedBy, &t.Person, &t.Pump, &t.Method, &t.Ran,
			&t.PouredL, &t.DrawDownS, &t.Remark, &withdrawn, &t.WithdrawnBy, &t.WithdrawnWhy)
		t.ID, t.Visit = visit.PartID(t.Property, 't', t.No), visit.PartID(t.Property, 'v', of)
		t.At, t.RecordedAt, t.WithdrawnAt = t.At.UTC(), t.RecordedAt.UTC(), instant(withdrawn)
		return t, err
	}, testColumns+where, args...)
}

// RecordQuery asks for sensor checks or pump tests of one property.
type RecordQuery struct {
	Scope     Scope
	Property  string
	From, To  time.Time // by the time of the check or test, To exclusive; zero: open
	Withdrawn bool      // also those that were withdrawn
}

func (q *RecordQuery) args() ([]any, error) {
	if !q.Scope.Sees(q.Property) {
		return nil, notFound("property %s", q.Property)
	}
	return []any{q.Property, nullInstant(q.From), nullInstant(q.To), q.Withdrawn}, nil
}

// SensorChecks of a property, oldest first.
func (s *Store) SensorChecks(ctx context.Context, q RecordQuery) ([]visit.SensorCheck, error) {
	args, err := q.args()
	if err != nil {
		return nil, err
	}
	out, err := queryChecks(ctx, s.api, `WHERE p.name = $1 AND ($2::timestamptz IS NULL OR c.at >= $2) AND ($3::timestamptz IS NULL OR c.at < $3)
		AND ($4 OR c.withdrawn_at IS NULL) ORDER BY c.at, c.check_no`, args...)
	if err != nil {
		return nil, fmt.Errorf("property %s: %w", q.Property, err)
	}
	return out, nil
}

// PumpTests of a property, oldest first.
func (s *Store) PumpTests(ctx context.Context, q RecordQuery) ([]visit.PumpTest, error) {
	args, err := q.args()
	if err != nil {
		return nil, err
	}
	out, err := queryTests(ctx, s.api, `WHERE p.name = $1 AND ($2::timestamptz IS NULL OR t.at >= $2) AND ($3::timestamptz IS NULL OR t.at < $3)
		AND ($4 OR t.withdrawn_at IS NULL) ORDER BY t.at, t.test_no`, args...)
	if err != nil {
		return nil, fmt.Errorf("property %s: %w", q.Property, err)
	}
	return out, nil
}

// VisitsBetween are the visits of a property that had begun and not ended at
// some moment in [from, to), with everything recorded at them, oldest first:
// for reports and the sealed day.
func (s *Store) VisitsBetween(ctx context.Context, scope Scope, property string, from, to time.Time) ([]visit.Record, error) {
	if !scope.Sees(property) {
		return nil, notFound("property %s", property)
	}
	var out []visit.Record
	err := withTx(ctx, s.api, pgx.TxOptions{AccessMode: pgx.ReadOnly, IsoLevel: pgx.RepeatableRead}, func(tx pgx.Tx) error {
		var num int32
		var found []visit.Visit
		rows, err := tx.Query(ctx, `SELECT `+visitColumns+`, v.property_id`+visitFrom+`
			WHERE p.name = $1 AND v.started_at < $3 AND coalesce(v.ended_at, 'infinity') >= $2 ORDER BY v.started_at, v.visit_no`, property, from, to)
		if err != nil {
			return err
		}
		found, err = pgx.CollectRows(rows, func(r pgx.CollectableRow) (visit.Visit, error) { return scanVisit(r, &num) })
		if err != nil {
			return err
		}
		for _, v := range found {
			r, err := loadVisitRecord(ctx, tx, num, v)
			if err != nil {
				return err
			}
			out = append(out, r)
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("visits of %s: %w", property, err)
	}
	return out, nil
}

// HandOver is the visit whose sign-off handed the property over, which starts
// its warranty; ErrNotFound before.
func (s *Store) HandOver(ctx context.Context, scope Scope, property string) (visit.Visit, error) {
	if !scope.Sees(property) {
		return visit.Visit{}, notFound("property %s", property)
	}
	v, err := scanVisit(s.api.QueryRow(ctx, `SELECT `+visitColumns+visitFrom+`
		WHERE p.name = $1 AND v.kind = 'hand-over' AND v.state = 'done' ORDER BY v.ended_at, v.visit_no LIMIT 1`, property))
	if isNoRows(err) {
		return v, notFound("hand-over of %s", property)
	}
	if err != nil {
		return v, fmt.Errorf("hand-over of %s: %w", property, err)
	}
	return v, nil
}

// VisitPhoto is a photo with its images.
func (s *Store) VisitPhoto(ctx context.Context, scope Scope, id string) (visit.Photo, error) {
	property, no, ok := visit.ParsePartID(id, 'p')
	if !ok || !scope.Sees(property) {
		return visit.Photo{}, notFound("photo %.60q", id)
	}
	p := visit.Photo{ID: id, No: no}
	var of int32
	var sum []byte
	err := s.api.QueryRow(ctx, `SELECT h.visit_no, h.added_at, h.caption, h.media_type, h.width, h.height, h.sha256, h.image, h.thumb
		FROM visit_photo h JOIN property p USING (property_id) WHERE p.name = $1 AND h.photo_no = $2`, property, no).
		Scan(&of, &p.AddedAt, &p.Caption, &p.MediaType, &p.Width, &p.Height, &sum, &p.Image, &p.Thumb)
	if isNoRows(err) {
		return visit.Photo{}, notFound("photo %s", id)
	}
	if err != nil {
		return visit.Photo{}, fmt.Errorf("photo %s: %w", id, err)
	}
	p.Visit, p.AddedAt, p.SHA256 = visit.ID(property, of), p.AddedAt.UTC(), [32]byte(sum)
	return p, nil
}
