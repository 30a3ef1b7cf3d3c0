package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
)

// GatewayAccount is a gateway with its user name and its last sign of life.
type GatewayAccount struct {
	Property, Gateway string
	Title             string // of the property
	Revoked           bool
	Username          string    // of the password in use
	OldUntil          time.Time // when the one before stops to work; zero: no other
	HeardAt           time.Time // zero: never
}

// GatewayQuery asks for a page of gateways, the one that was not heard of for
// longest first and revoked ones last. Zero fields do not limit.
type GatewayQuery struct {
	Scope       Scope
	Property    string
	Text        string    // part of the property's id or name
	SilentSince time.Time // not heard of since, and not revoked
	Cursor      string
	Limit       int
}

// gatewayKey is where a page of gateways ended.
type gatewayKey struct {
	Revoked  bool      `json:"r"`
	Heard    time.Time `json:"h"`
	Property int32     `json:"p"`
	Gateway  int16     `json:"g"`
}

const gatewayColumns = `SELECT p.name, g.name, p.title, g.revoked_at IS NOT NULL AS revoked,
	coalesce((SELECT slot FROM gateway_credential c WHERE c.property_id = g.property_id AND c.gateway_id = g.gateway_id
		AND c.expires_at IS NULL AND c.revoked_at IS NULL LIMIT 1), 1),
	(SELECT max(expires_at) FROM gateway_credential c WHERE c.property_id = g.property_id AND c.gateway_id = g.gateway_id
		AND c.expires_at > now() AND c.revoked_at IS NULL), st.heard_at, g.property_id, g.gateway_id
	FROM gateway g JOIN property p USING (property_id) LEFT JOIN gateway_status st USING (property_id, gateway_id)
	WHERE g.kind = 'gateway' `

func scanGateway(r pgx.CollectableRow) (a GatewayAccount, key gatewayKey, err error) {
	var slot int16
	var until, heard *time.Time
	err = r.Scan(&a.Property, &a.Gateway, &a.Title, &a.Revoked, &slot, &until, &heard, &key.Property, &key.Gateway)
	a.Username, a.OldUntil, a.HeardAt = slotUsername(a.Property, a.Gateway, slot), instant(until), instant(heard)
	key.Revoked, key.Heard = a.Revoked, a.HeardAt
	return a, key, err
}

// GatewayAccounts lists the gateways of a property, or of all with "", by name
// of the property.
func (s *Store) GatewayAccounts(ctx context.Context, property string) ([]GatewayAccount, error) {
	return collect(ctx, s.api, "list gateways", func(r pgx.CollectableRow) (GatewayAccount, error) {
		a, _, err := scanGateway(r)
		return a, err
	}, gatewayColumns+`AND ($1 = '' OR p.name = $1) ORDER BY p.name COLLATE "C", g.gateway_id`, property)
}

// GatewayPage lists a page of gateways; next is "" at the end.
func (s *Store) GatewayPage(ctx context.Context, q GatewayQuery) (page []GatewayAccount, next string, err error) {
	var after gatewayKey
	on, err := decodeCursor(q.Cursor, &after)
	if err != nil {
		return nil, "", err
	}
	all, names := q.Scope.args()
	limit := pageSize(q.Limit)
	rows, err := s.api.Query(ctx, gatewayColumns+`AND ($1 OR p.name = ANY($2)) AND ($3 = '' OR p.name = $3)
			AND ($4 = '' OR position(lower($4) IN lower(p.name || ' ' || p.title)) > 0)
			AND ($5::timestamptz IS NULL OR g.revoked_at IS NULL AND coalesce(st.heard_at, '-infinity') < $5)
			AND (NOT $6 OR (g.revoked_at IS NOT NULL, coalesce(st.heard_at, '0001-01-01 00:00:00+00'), g.property_id, g.gateway_id) > ($7, $8, $9, $10))
		ORDER BY g.revoked_at IS NOT NULL, coalesce(st.heard_at, '0001-01-01 00:00:00+00'), g.property_id, g.gateway_id LIMIT $11`,
		all, names, q.Property, q.Text, nullInstant(q.SilentSince), on, after.Revoked, after.Heard, after.Property, after.Gateway, limit+1)
	if err != nil {
		return nil, "", fmt.Errorf("list gateways: %w", err)
	}
	var keys []gatewayKey
	page, err = pgx.CollectRows(rows, func(r pgx.CollectableRow) (GatewayAccount, error) {
		a, key, err := scanGateway(r)
		keys = append(keys, key)
		return a, err
	})
	if err != nil {
		return nil, "", fmt.Errorf("list gateways: %w", err)
	}
	if len(page) > limit {
		page, next = page[:limit], encodeCursor(keys[limit-1])
	}
	return page, next, nil
}
