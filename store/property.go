package store

import (
	"context"
	"fmt"
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

// statusSQL aggregates standing alarms by property. $1 is the time.
const statusSQL = `
WITH standing AS (
	SELECT a.property_id, a.priority, a.condition, a.raised_at, a.cleared_at IS NULL AS open, a.acknowledged_at IS NULL AS unseen,
		a.priority < 4 AND EXISTS (SELECT FROM regional_member m WHERE m.property_id = a.property_id AND m.call_out = a.call_out) AS joined
	FROM alarm a LEFT JOIN alarm_hold h USING (property_id, condition, point)
	WHERE a.withdrawn_at IS NULL AND (a.cleared_at IS NULL OR a.acknowledged_at IS NULL)
		AND a.suppressed_by IS NULL AND (h.kind IS NULL OR h.until <= $1)
), sums AS (
	SELECT property_id, coalesce(max(priority) FILTER (WHERE open), 0) AS priority, count(*) FILTER (WHERE open) AS open,
		count(*) FILTER (WHERE unseen) AS unseen, bool_and(joined) AS joined,
		array_agg(condition ORDER BY priority DESC, raised_at) FILTER (WHERE open) AS conditions
	FROM standing GROUP BY property_id
), fleet AS (
	SELECT p.property_id, p.name, p.title, p.area, p.timezone, p.accepts_from,
		coalesce(s.priority, 0)::int2 AS priority, coalesce(s.open, 0) AS open, coalesce(s.unseen, 0) AS unseen,
		coalesce(s.conditions, '{}') AS conditions, coalesce(s.joined, false) AS joined,
		CASE WHEN s.unseen > 0 THEN 0 ELSE 1 END::int2 AS seen,
		coalesce((SELECT min(raised_at) FROM standing t WHERE t.property_id = p.property_id AND t.open AND t.priority = s.priority),
			'2200-01-01 00:00:00+00') AS since,
		(SELECT max(heard_at) FROM gateway_status g WHERE g.property_id = p.property_id) AS heard_at,
		e.watermark, coalesce(e.failure, '') AS failure
	FROM property p LEFT JOIN sums s USING (property_id) LEFT JOIN evaluation e USING (property_id)
	WHERE ($2 OR p.name = ANY($3))
)
SELECT name, title, area, timezone, accepts_from, priority, open, unseen, conditions, seen, since, heard_at, watermark, failure
FROM fleet `

// Properties lists a page of the fleet; next is "" at the end.
func (s *Store) Properties(ctx context.Context, q PropertyQuery) (page []PropertyStatus, next string, err error) {
	var after propertyKey
	more, err := decodeCursor(q.Cursor, &after)
	if err != nil {
		return nil, "", err
	}
	all, names := q.Scope.args()
	limit := pageSize(q.Limit)
	rows, err := s.api.Query(ctx, statusSQL+`
		WHERE ($4 = '' OR area = $4) AND ($5 = '' OR strpos(lower(name || ' ' || title), lower($5)) > 0)
			AND (NOT $12 OR NOT joined)
			AND ($13 = '' OR property_id IN (SELECT property_id FROM regional_member WHERE event_id::text = $13))
			AND (NOT $6 OR (-priority, seen, since, name COLLATE "C") > ($7, $8, $9, $10))
		ORDER BY -priority, seen, since, name COLLATE "C" LIMIT $11`,
		q.Now, all, names, q.Area, q.Text, more, -after.Priority, after.Seen, after.Since, after.ID, limit+1, q.Lone, q.Regional)
	if err != nil {
		return nil, "", fmt.Errorf("list properties: %w", err)
	}
	var keys []propertyKey
	page, err = pgx.CollectRows(rows, func(r pgx.CollectableRow) (PropertyStatus, error) {
		p, key, err := scanStatus(r)
		keys = append(keys, key)
		return p, err
	})
	if err != nil {
		return nil, "", fmt.Errorf("list properties: %w", err)
	}
	if len(page) > limit {
		page, next = page[:limit], encodeCursor(keys[limit-1])
	}
	return page, next, nil
}

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
	reg, ok := s.Registry().Property(id)
	if !ok || !scope.Sees(id) {
		return PropertyDetail{}, notFound("property %s", id)
	}
	var d PropertyDetail
	status, _, err := scanStatus(s.api.QueryRow(ctx, statusSQL, now, false, []string{id}))
	if err != nil {
		return PropertyDetail{}, fmt.Errorf("property %s: %w", id, err)
	}
	d.PropertyStatus = status
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
	return pgx.CollectRows(rows, func(r pgx.CollectableRow) (l LatestReading, err error) {
		var quantity int16
		err = r.Scan(&l.Point, &quantity, &l.At, &l.Value, &l.Received, &l.AtReceipt)
		l.Quantity, l.At, l.Received = site.Quantity(quantity), l.At.UTC(), l.Received.UTC()
		return l, err
	})
}
