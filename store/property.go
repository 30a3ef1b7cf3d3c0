package store

import (
	"context"
	"fmt"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/alerting"
	"underkeep/store/site"
)

// PropertyStatus is one line of the fleet.
type PropertyStatus struct {
	ID        string
	Name      string
	Area      string
	Zone      string
	Installed time.Time // midnight of that day in the property's zone
	// Of the alarms that want a person: not shelved, out of service,
	// suppressed or withdrawn.
	Priority       alerting.Priority // highest open; 0 when none is open
	OpenSince      time.Time         // raised_at of the oldest open one of that priority
	Open           int               // open, acknowledged or not
	Unacknowledged int               // not seen by anybody, over or not
	Conditions     []site.Condition  // of the open ones, most urgent first
	HeardAt        time.Time         // last sign of life of any gateway; zero: never
	EvaluatedAt    time.Time         // receipt time up to which it was evaluated; zero: never
	Failure        string            // why it could not be evaluated last; "" when it could
}

// PropertyQuery asks for a page of properties, most urgent first: by priority,
// then unacknowledged before acknowledged, then the longest open, then by id.
type PropertyQuery struct {
	Scope Scope
	Area  string // "" any
	Text  string // found in id or name; "" any
	// Lone leaves out what stands under regional events only, urgent alarms aside.
	Lone     bool
	Regional string // only houses in this regional event; "" any
	Cursor   string
	Limit    int
	Now      time.Time // for shelving that runs out
}

// propertyKey is where a page of properties ended.
type propertyKey struct {
	Priority int16     `json:"p"`
	Seen     int16     `json:"s"`
	Since    time.Time `json:"t"`
	ID       string    `json:"i"`
}

// standingSQL sums up by property the alarms that want a person; only those few
// properties have a row in sums. $1 is the time, of says which alarms, joined
// whether an alarm is told of under a regional event.
func standingSQL(of, joined string) string {
	return `WITH standing AS (
		SELECT a.property_id, a.priority, a.condition, a.raised_at, a.cleared_at IS NULL AS open, a.acknowledged_at IS NULL AS unseen,
			` + joined + ` AS joined
		FROM alarm a LEFT JOIN alarm_hold h USING (property_id, condition, point)
		WHERE a.withdrawn_at IS NULL AND (a.cleared_at IS NULL OR a.acknowledged_at IS NULL)
			AND a.suppressed_by IS NULL AND (h.kind IS NULL OR h.until <= $1)` + of + `
	), sums AS (
		SELECT property_id, coalesce(max(priority) FILTER (WHERE open), 0)::int2 AS priority,
			count(*) FILTER (WHERE open) AS open, count(*) FILTER (WHERE unseen) AS unseen,
			CASE WHEN bool_or(unseen) THEN 0 ELSE 1 END::int2 AS seen, bool_and(joined) AS joined,
			coalesce((array_agg(raised_at ORDER BY priority DESC, raised_at) FILTER (WHERE open))[1], ` + neverSQL + `) AS since,
			coalesce(array_agg(condition ORDER BY priority DESC, raised_at) FILTER (WHERE open), '{}') AS conditions
		FROM standing GROUP BY property_id
	)`
}

// neverSQL stands for no alarm; calmSQL for the sums of a property without one.
const (
	neverSQL = `'2200-01-01 00:00:00+00'::timestamptz`
	calmSQL  = `0::int2 AS priority, 0::int8 AS open, 0::int8 AS unseen, 1::int2 AS seen, ` + neverSQL + ` AS since, '{}'::text[] AS conditions`
	// joinedSQL: told of under a regional event, which urgent alarms never are only.
	joinedSQL = `a.priority < 4 AND EXISTS (SELECT FROM regional_member m WHERE m.property_id = a.property_id AND m.call_out = a.call_out)`
)

// statusColumns of a page of properties, with what is looked up only for its
// rows.
const statusColumns = `SELECT name, title, area, timezone, accepts_from, priority, open, unseen, conditions, seen, since,
	(SELECT max(heard_at) FROM gateway_status g WHERE g.property_id = page.property_id), e.watermark, coalesce(e.failure, '')
	FROM page LEFT JOIN evaluation e USING (property_id) `

// Properties lists a page of the fleet; next is "" at the end. Those where
// something is wrong come first and are few; the calm ones follow by id, and
// are read in that order from their index.
func (s *Store) Properties(ctx context.Context, q PropertyQuery) (page []PropertyStatus, next string, err error) {
	var after propertyKey
	if _, err := decodeCursor(q.Cursor, &after); err != nil {
		return nil, "", err
	}
	limit := pageSize(q.Limit)
	var keys []propertyKey
	// One snapshot for both parts: a house whose alarm comes or goes between them
	// would be in neither.
	opts := pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}
	err = withTx(ctx, s.api, opts, func(tx pgx.Tx) error {
		for _, part := range []func(PropertyQuery, propertyKey, int) (string, []any){wrongPart, calmPart} {
			query, args := part(q, after, limit+1-len(page))
			if query == "" || len(page) > limit {
				continue
			}
			rows, err := tx.Query(ctx, query, args...)
			if err != nil {
				return err
			}
			found, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (PropertyStatus, error) {
				p, key, err := scanStatus(r)
				keys = append(keys, key)
				return p, err
			})
			if err != nil {
				return err
			}
			page = append(page, found...)
		}
		return nil
	})
	if err != nil {
		return nil, "", fmt.Errorf("list properties: %w", err)
	}
	if len(page) > limit {
		page, next = page[:limit], encodeCursor(keys[limit-1])
	}
	return page, next, nil
}

// args numbers the parameters of a query as they are put in.
type args []any

func (a *args) put(v any) string {
	*a = append(*a, v)
	return "$" + strconv.Itoa(len(*a))
}

// where narrows p to what is asked for.
func (q PropertyQuery) where(a *args) string {
	sql := "TRUE"
	if !q.Scope.All {
		_, names := q.Scope.args()
		sql += " AND p.name = ANY(" + a.put(names) + ")"
	}
	if q.Area != "" {
		sql += " AND p.area = " + a.put(q.Area)
	}
	if q.Text != "" {
		sql += " AND strpos(lower(p.name || ' ' || p.title), lower(" + a.put(q.Text) + ")) > 0"
	}
	if q.Regional != "" {
		sql += " AND p.property_id IN (SELECT property_id FROM regional_member WHERE event_id::text = " + a.put(q.Regional) + ")"
	}
	return sql
}

// standing is standingSQL over what may be asked for.
func (q PropertyQuery) standing(a *args) string {
	of, joined := "", "FALSE"
	if !q.Scope.All {
		_, names := q.Scope.args()
		of = " AND a.property_id IN (SELECT property_id FROM property WHERE name = ANY(" + a.put(names) + "))"
	}
	if q.Lone {
		joined = joinedSQL
	}
	return standingSQL(of, joined)
}

// wrongPart of the list; "" when the page before ended among the calm ones.
func wrongPart(q PropertyQuery, after propertyKey, limit int) (string, []any) {
	if after.calm() {
		return "", nil
	}
	a := args{q.Now}
	sql := q.standing(&a) + `, page AS (
		SELECT p.property_id, p.name, p.title, p.area, p.timezone, p.accepts_from, s.priority, s.open, s.unseen, s.seen, s.since, s.conditions
		FROM sums s JOIN property p USING (property_id) WHERE ` + q.where(&a)
	if q.Lone {
		sql += ` AND NOT joined`
	}
	if after.ID != "" {
		sql += ` AND (-priority, seen, since, name COLLATE "C") > (` + a.put(-after.Priority) + ", " + a.put(after.Seen) + ", " + a.put(after.Since) + ", " + a.put(after.ID) + ")"
	}
	const order = ` ORDER BY -priority, seen, since, name COLLATE "C" `
	return sql + order + `LIMIT ` + a.put(limit) + `) ` + statusColumns + order, a
}

// calmPart lists the properties without a standing alarm, by id.
func calmPart(q PropertyQuery, after propertyKey, limit int) (string, []any) {
	a := args{q.Now}
	sql := q.standing(&a) + `, page AS (
		SELECT p.property_id, p.name, p.title, p.area, p.timezone, p.accepts_from, ` + calmSQL + `
		FROM property p WHERE ` + q.where(&a) + ` AND NOT EXISTS (SELECT FROM sums s WHERE s.property_id = p.property_id)`
	if after.calm() {
		sql += ` AND p.name COLLATE "C" > ` + a.put(after.ID)
	}
	return sql + ` ORDER BY p.name COLLATE "C" LIMIT ` + a.put(limit) + `) ` + statusColumns + `ORDER BY name COLLATE "C"`, a
}

// calm says whether a page ended among properties without a standing alarm:
// one that has only alarms that are over has an unseen one.
func (k propertyKey) calm() bool { return k.ID != "" && k.Priority == 0 && k.Seen == 1 }

func scanStatus(row pgx.Row) (p PropertyStatus, key propertyKey, err error) {
	var heard, evaluated *time.Time
	err = row.Scan(&p.ID, &p.Name, &p.Area, &p.Zone, &p.Installed, &key.Priority, &p.Open, &p.Unacknowledged, &p.Conditions,
		&key.Seen, &key.Since, &heard, &evaluated, &p.Failure)
	if err != nil {
		return p, key, err
	}
	key.ID, key.Since = p.ID, key.Since.UTC()
	p.Priority, p.Installed = alerting.Priority(key.Priority), p.Installed.UTC()
	p.HeardAt, p.EvaluatedAt = instant(heard), instant(evaluated)
	if p.Priority > 0 {
		p.OpenSince = key.Since
	}
	return p, key, nil
}

// PropertyDetail is one property with everything a page of it needs.
type PropertyDetail struct {
	PropertyStatus
	Versions []Version // in force, by the time from which they hold; not to be changed
	Gateways []GatewayStatus
	Latest   []LatestReading
}

// GatewayStatus is when a gateway was last heard.
type GatewayStatus struct {
	Name       string
	AddedAt    time.Time
	Revoked    bool
	HeardAt    time.Time // zero: never
	Presence   Presence
	PresenceAt time.Time
}

// LatestReading of one quantity at one point.
type LatestReading struct {
	Point    string
	Quantity site.Quantity
	Sample
}

// Property is one property in detail; ErrNotFound when it does not exist or is
// out of scope.
func (s *Store) Property(ctx context.Context, scope Scope, id string, now time.Time) (PropertyDetail, error) {
	reg, ok := s.Registered(ctx, id)
	if !ok || !scope.Sees(id) {
		return PropertyDetail{}, notFound("property %s", id)
	}
	var d PropertyDetail
	page, _, err := s.Properties(ctx, PropertyQuery{Scope: Scope{Properties: []string{id}}, Limit: 1, Now: now})
	if err != nil {
		return PropertyDetail{}, fmt.Errorf("property %s: %w", id, err)
	}
	if len(page) == 0 {
		return PropertyDetail{}, notFound("property %s", id)
	}
	d.PropertyStatus = page[0]
	if d.Versions, err = reg.Versions(); err != nil {
		return PropertyDetail{}, err
	}
	if d.Gateways, err = s.gatewayStatuses(ctx, reg); err != nil {
		return PropertyDetail{}, fmt.Errorf("gateways of %s: %w", id, err)
	}
	if d.Latest, err = s.latestReadings(ctx, reg); err != nil {
		return PropertyDetail{}, fmt.Errorf("latest readings of %s: %w", id, err)
	}
	return d, nil
}

// Latest is the newest reading of every series of a property; ErrNotFound when
// it does not exist or is out of scope.
func (s *Store) Latest(ctx context.Context, scope Scope, id string) ([]LatestReading, error) {
	reg, ok := s.Registered(ctx, id)
	if !ok || !scope.Sees(id) {
		return nil, notFound("property %s", id)
	}
	out, err := s.latestReadings(ctx, reg)
	if err != nil {
		return nil, fmt.Errorf("latest readings of %s: %w", id, err)
	}
	return out, nil
}

func (s *Store) gatewayStatuses(ctx context.Context, p *Registered) ([]GatewayStatus, error) {
	rows, err := s.api.Query(ctx, `SELECT g.name, g.added_at, g.revoked_at IS NOT NULL, st.heard_at, coalesce(st.presence, 0), st.presence_at
		FROM gateway g LEFT JOIN gateway_status st USING (property_id, gateway_id)
		WHERE property_id = $1 AND g.kind = 'gateway' ORDER BY gateway_id`, p.Num)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(r pgx.CollectableRow) (g GatewayStatus, err error) {
		var heard, presence *time.Time
		err = r.Scan(&g.Name, &g.AddedAt, &g.Revoked, &heard, &g.Presence, &presence)
		g.AddedAt, g.HeardAt, g.PresenceAt = g.AddedAt.UTC(), instant(heard), instant(presence)
		return g, err
	})
}

// latestReadings walks each series' index from its end.
func (s *Store) latestReadings(ctx context.Context, p *Registered) ([]LatestReading, error) {
	rows, err := s.api.Query(ctx, `SELECT s.point, s.quantity, r.at, r.value, r.received_at, coalesce(r.at_receipt, false)
		FROM series s CROSS JOIN LATERAL (
			SELECT at, value, received_at, at_receipt FROM readings
			WHERE property_id = s.property_id AND series_id = s.series_id ORDER BY at DESC LIMIT 1) r
		WHERE s.property_id = $1 AND s.described ORDER BY s.series_id`, p.Num)
	if err != nil {
		return nil, err
	}
	out, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (l LatestReading, err error) {
		var quantity int16
		err = r.Scan(&l.Point, &quantity, &l.At, &l.Value, &l.Received, &l.AtReceipt)
		l.Quantity, l.At, l.Received = site.Quantity(quantity), l.At.UTC(), l.Received.UTC()
		return l, err
	})
	if err != nil {
		return nil, err
	}
	return s.addLatestSealed(ctx, p, out)
}
