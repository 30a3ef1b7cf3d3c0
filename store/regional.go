package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/alerting/region"
	"underkeep/store/site"
)

// RegionalEvent is one cause over several houses, as it was last worked out.
type RegionalEvent struct {
	ID     int64
	Kind   region.Kind
	Houses int
	Since  time.Time // event time of its first call-out
	LastAt time.Time // and of its last
	Until  time.Time // end of its last; zero while one stands
	// Where, if any of its houses has a place.
	Located             bool
	Latitude            float64
	Longitude           float64
	RadiusKm            float64
	Why                 region.Chance
	OpenedAt, ChangedAt time.Time        // by the clock
	MergedInto          int64            // 0: none
	DissolvedAt         time.Time        // zero: it is one
	Members             []RegionalMember // those in scope, by time; only where asked for
}

// Stands says that a call-out of it stands.
func (e *RegionalEvent) Stands() bool { return e.Until.IsZero() && e.DissolvedAt.IsZero() }

// RegionalMember is one call-out of an event.
type RegionalMember struct {
	Property     string // its id in files and topics
	CallOut      string
	Since, Until time.Time // Until zero while it stands
	JoinedAt     time.Time // by the clock
}

// RegionalChangeKind says what happened to an event.
type RegionalChangeKind string

// What happens to events.
const (
	RegionalOpened    RegionalChangeKind = "opened"
	RegionalGrew      RegionalChangeKind = "grew"      // call-outs joined it
	RegionalEnded     RegionalChangeKind = "ended"     // its last call-out ended
	RegionalResumed   RegionalChangeKind = "resumed"   // one stands again
	RegionalMerged    RegionalChangeKind = "merged"    // it is part of MergedInto now
	RegionalDissolved RegionalChangeKind = "dissolved" // later data left too little of it
)

// RegionalChange is one change of an event as it was written.
type RegionalChange struct {
	Kind   RegionalChangeKind
	Event  RegionalEvent
	Joined []RegionalMember // RegionalOpened, RegionalGrew: the call-outs that are new in it
}

const regionalColumns = `e.event_id, e.kind, e.houses, e.since, e.last_at, e.until, e.latitude, e.longitude, e.radius_km,
	e.near_houses, e.near_fleet, e.near_km, e.near_hours, e.expected, e.probability, e.usual_a_year,
	e.opened_at, e.changed_at, e.merged_into, e.dissolved_at`

func scanRegional(row pgx.Row, more ...any) (e RegionalEvent, err error) {
	var until, dissolved *time.Time
	var lat, lon, radius *float64
	var hours float64
	var merged *int64
	dest := append([]any{&e.ID, &e.Kind, &e.Houses, &e.Since, &e.LastAt, &until, &lat, &lon, &radius,
		&e.Why.Houses, &e.Why.InReach, &e.Why.ReachKm, &hours, &e.Why.Expected, &e.Why.Probability, &e.Why.RatePerYear,
		&e.OpenedAt, &e.ChangedAt, &merged, &dissolved}, more...)
	if err := row.Scan(dest...); err != nil {
		return e, err
	}
	e.Since, e.LastAt, e.OpenedAt, e.ChangedAt = e.Since.UTC(), e.LastAt.UTC(), e.OpenedAt.UTC(), e.ChangedAt.UTC()
	e.Until, e.DissolvedAt = instant(until), instant(dissolved)
	e.Why.Span = time.Duration(hours * float64(time.Hour)).Round(time.Second)
	if lat != nil && lon != nil && radius != nil {
		e.Located, e.Latitude, e.Longitude, e.RadiusKm = true, *lat, *lon, *radius
	}
	if merged != nil {
		e.MergedInto = *merged
	}
	return e, nil
}

// Queryer is a transaction or a pool.
type Queryer interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
}

// RegionalOf answers whether a call-out of a property (its number in the
// database) is part of a regional event, inside the caller's transaction. ok is
// false while it is not; ask RegionalPending whether that has been looked at.
func RegionalOf(ctx context.Context, q Queryer, property int32, callOut string) (e RegionalEvent, ok bool, err error) {
	e, err = scanRegional(q.QueryRow(ctx, `SELECT `+regionalColumns+` FROM regional_member m JOIN regional_event e USING (event_id)
		WHERE m.property_id = $1 AND m.call_out = $2`, property, callOut))
	if isNoRows(err) {
		return RegionalEvent{}, false, nil
	}
	if err != nil {
		return RegionalEvent{}, false, fmt.Errorf("regional event of call-out %s: %w", callOut, err)
	}
	return e, true, nil
}

// RegionalPending says whether anything of a property still waits to be looked
// at together with other houses.
func RegionalPending(ctx context.Context, q Queryer, property int32) (pending bool, err error) {
	err = q.QueryRow(ctx, `SELECT EXISTS (SELECT FROM regional_due WHERE property_id = $1)`, property).Scan(&pending)
	if err != nil {
		return false, fmt.Errorf("ask whether property %d waits to be joined: %w", property, err)
	}
	return pending, nil
}

// RegionalOfAlarm is RegionalOf for an alarm's id.
func (s *Store) RegionalOfAlarm(ctx context.Context, q Queryer, alarm string) (e RegionalEvent, ok bool, err error) {
	property, no, valid := ParseAlarmID(alarm)
	reg, known := s.Registered(ctx, property)
	if !valid || !known {
		return RegionalEvent{}, false, notFound("alarm %s", alarm)
	}
	var callOut string
	err = q.QueryRow(ctx, `SELECT call_out FROM alarm WHERE property_id = $1 AND alarm_no = $2`, reg.Num, no).Scan(&callOut)
	if isNoRows(err) {
		return RegionalEvent{}, false, notFound("alarm %s", alarm)
	}
	if err != nil {
		return RegionalEvent{}, false, fmt.Errorf("call-out of alarm %s: %w", alarm, err)
	}
	return RegionalOf(ctx, q, reg.Num, callOut)
}

// RegionalQuery asks for a page of events, latest first.
type RegionalQuery struct {
	Scope    Scope     // an event is seen by who may see one of its houses
	Standing bool      // only those with a call-out that stands
	Wanting  bool      // only those with an alarm that holds or that nobody has seen
	From, To time.Time // holding at some moment in [From, To); zero: open
	Cursor   string
	Limit    int
	Now      time.Time // for shelving that runs out
}

type regionalKey struct {
	Since time.Time `json:"s"`
	ID    int64     `json:"i"`
}

// RegionalEvents lists a page with the members in scope; next is "" at the end.
func (s *Store) RegionalEvents(ctx context.Context, q RegionalQuery) (page []RegionalEvent, next string, err error) {
	var after regionalKey
	more, err := decodeCursor(q.Cursor, &after)
	if err != nil {
		return nil, "", err
	}
	all, names := q.Scope.args()
	limit := pageSize(q.Limit)
	rows, err := s.api.Query(ctx, `SELECT `+regionalColumns+` FROM regional_event e
		WHERE e.dissolved_at IS NULL AND (NOT $3 OR e.until IS NULL)
			AND ($4::timestamptz IS NULL OR e.until IS NULL OR e.until > $4) AND ($5::timestamptz IS NULL OR e.since < $5)
			AND (NOT $6 OR (e.since, e.event_id) < ($7, $8))
			AND (NOT $10 OR EXISTS (SELECT FROM regional_member m JOIN alarm a USING (property_id, call_out)
				LEFT JOIN alarm_hold h ON h.property_id = a.property_id AND h.condition = a.condition AND h.point = a.point
				WHERE m.event_id = e.event_id AND a.withdrawn_at IS NULL AND (a.cleared_at IS NULL OR a.acknowledged_at IS NULL)
					AND a.suppressed_by IS NULL AND h.kind IS DISTINCT FROM 'out-of-service' AND (h.until IS NULL OR h.until <= $11)))
			AND ($1 OR EXISTS (SELECT FROM regional_member m JOIN property p USING (property_id) WHERE m.event_id = e.event_id AND p.name = ANY($2)))
		ORDER BY e.since DESC, e.event_id DESC LIMIT $9`,
		all, names, q.Standing, nullInstant(q.From), nullInstant(q.To), more, after.Since, after.ID, limit+1, q.Wanting, q.Now)
	if err != nil {
		return nil, "", fmt.Errorf("list regional events: %w", err)
	}
	page, err = pgx.CollectRows(rows, func(r pgx.CollectableRow) (RegionalEvent, error) { return scanRegional(r) })
	if err != nil {
		return nil, "", fmt.Errorf("list regional events: %w", err)
	}
	if len(page) > limit {
		page = page[:limit]
		next = encodeCursor(regionalKey{page[limit-1].Since, page[limit-1].ID})
	}
	return page, next, addRegionalMembers(ctx, s.api, q.Scope, page)
}

// RegionalEvent is one event with its members in scope; one that was merged
// answers with what it became part of.
func (s *Store) RegionalEvent(ctx context.Context, scope Scope, id int64) (RegionalEvent, error) {
	e, err := scanRegional(s.api.QueryRow(ctx, `WITH RECURSIVE became AS (
			SELECT event_id, merged_into FROM regional_event WHERE event_id = $1
			UNION SELECT r.event_id, r.merged_into FROM became b JOIN regional_event r ON r.event_id = b.merged_into)
		SELECT `+regionalColumns+` FROM became JOIN regional_event e USING (event_id) WHERE became.merged_into IS NULL`, id))
	if isNoRows(err) {
		return RegionalEvent{}, notFound("regional event %d", id)
	}
	if err != nil {
		return RegionalEvent{}, fmt.Errorf("regional event %d: %w", id, err)
	}
	one := []RegionalEvent{e}
	if err := addRegionalMembers(ctx, s.api, scope, one); err != nil {
		return RegionalEvent{}, err
	}
	if !scope.All && len(one[0].Members) == 0 {
		return RegionalEvent{}, notFound("regional event %d", id)
	}
	return one[0], nil
}

func addRegionalMembers(ctx context.Context, q Queryer, scope Scope, events []RegionalEvent) error {
	index := make(map[int64]int, len(events))
	ids := make([]int64, len(events))
	for i := range events {
		ids[i], index[events[i].ID] = events[i].ID, i
	}
	all, names := scope.args()
	rows, err := q.Query(ctx, `SELECT m.event_id, p.name, m.call_out, m.since, m.until, m.joined_at
		FROM regional_member m JOIN property p USING (property_id)
		WHERE m.event_id = ANY($1) AND ($2 OR p.name = ANY($3)) ORDER BY m.since, p.name, m.call_out`, ids, all, names)
	if err != nil {
		return fmt.Errorf("members of regional events: %w", err)
	}
	var id int64
	var m RegionalMember
	var until *time.Time
	_, err = pgx.ForEachRow(rows, []any{&id, &m.Property, &m.CallOut, &m.Since, &until, &m.JoinedAt}, func() error {
		m.Since, m.Until, m.JoinedAt = m.Since.UTC(), instant(until), m.JoinedAt.UTC()
		e := &events[index[id]]
		e.Members = append(e.Members, m)
		return nil
	})
	if err != nil {
		return fmt.Errorf("members of regional events: %w", err)
	}
	return nil
}

// CountRegional counts the events that stand, by kind, and the call-outs in them.
func (s *Store) CountRegional(ctx context.Context) (events map[region.Kind]int, callOuts map[region.Kind]int, err error) {
	events, callOuts = map[region.Kind]int{}, map[region.Kind]int{}
	rows, err := s.api.Query(ctx, `SELECT kind, count(DISTINCT event_id), count(*) FROM regional_event JOIN regional_member m USING (event_id)
		WHERE regional_event.until IS NULL AND dissolved_at IS NULL GROUP BY kind`)
	if err != nil {
		return nil, nil, fmt.Errorf("count regional events: %w", err)
	}
	var kind region.Kind
	var n, m int
	if _, err := pgx.ForEachRow(rows, []any{&kind, &n, &m}, func() error { events[kind], callOuts[kind] = n, m; return nil }); err != nil {
		return nil, nil, fmt.Errorf("count regional events: %w", err)
	}
	return events, callOuts, nil
}

// joinable are the conditions whose alarms may be part of a regional event.
func joinable(c site.Condition) bool { return region.FamilyOf(c) != region.NoFamily }
