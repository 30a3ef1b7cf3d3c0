package store

import (
	"context"
	"fmt"
	"math"

	"github.com/jackc/pgx/v5"

	"underkeep/alerting"
	"underkeep/store/site"
)

// StationPoint is the point under which the weather service's station for a
// property has its readings. No property file can have a point of that name, and
// no gateway can speak for it.
const StationPoint = site.StationPoint

// Sources that speak for a property besides its gateways. They cannot sign in,
// and are never called silent.
const (
	WeatherSource  = "weather-service"
	RainFileSource = "rain-file"
)

// reservedSource says whether a name is one of a source and so of no gateway.
func reservedSource(name string) bool { return name == WeatherSource || name == RainFileSource }

// Source finds the number of whoever may give readings by that name: a gateway
// that was not revoked, or a source that EnsureSource has added.
func (p *Registered) Source(name string) (int16, bool) {
	id, ok := p.gatewayByName[name]
	return id, ok && !p.gateways[id].revoked
}

// speaker is the number by which the evaluator knows who gave a reading: sources
// are no gateways to it, whose silence or voice would mean something.
func (p *Registered) speaker(id int16) uint16 {
	if id < 0 || int(id) < len(p.gateways) && p.gateways[id].source {
		return alerting.NoGateway
	}
	return uint16(id)
}

// EnsureSource lets a source give readings of the quantities at point for a
// property. It does nothing where it may already. The point is StationPoint or one
// of the property's own that measures them.
func (s *Store) EnsureSource(ctx context.Context, property, source, point string, quantities ...site.Quantity) error {
	if !reservedSource(source) {
		return invalid("%q is no source of readings", source)
	}
	reg, ok := s.Registry().Property(property)
	if !ok {
		return notFound("property %s", property)
	}
	if reg.sourceReady(source, point, quantities) {
		return nil
	}
	err := retrying(ctx, func() error {
		return withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) error { return addSource(ctx, tx, property, source, point, quantities) })
	})
	if err != nil {
		return fmt.Errorf("let %s speak for %s: %w", source, property, err)
	}
	return s.RefreshRegistry(ctx)
}

func (p *Registered) sourceReady(source, point string, quantities []site.Quantity) bool {
	_, ok := p.Source(source)
	for _, q := range quantities {
		_, has := p.Series(point, q)
		ok = ok && has
	}
	return ok
}

func addSource(ctx context.Context, tx pgx.Tx, property, source, point string, quantities []site.Quantity) error {
	num, err := lockProperty(ctx, tx, property)
	if err != nil {
		return err
	}
	_, nobody := newSecret() // nobody learns it
	if _, err := tx.Exec(ctx, `INSERT INTO gateway (property_id, gateway_id, name, secret_sha256, added_by, kind)
		SELECT $1, coalesce(max(gateway_id), -1) + 1, $2, $3, 'the service', 'source' FROM gateway WHERE property_id = $1
		ON CONFLICT (property_id, name) DO NOTHING`, num, source, nobody[:]); err != nil {
		return err
	}
	var kind string
	if err := tx.QueryRow(ctx, `SELECT kind FROM gateway WHERE property_id = $1 AND name = $2`, num, source).Scan(&kind); err != nil {
		return err
	}
	if kind != "source" {
		return conflict("%s has a gateway named %s", property, source)
	}
	if point == StationPoint {
		codes := make([]int16, len(quantities))
		for i, q := range quantities {
			codes[i] = int16(q)
		}
		if _, err := tx.Exec(ctx, `INSERT INTO series (property_id, series_id, point, quantity)
			SELECT $1, (SELECT coalesce(max(series_id), -1) FROM series WHERE property_id = $1) + row_number() OVER (ORDER BY i), $2, q
			FROM unnest($3::int2[]) WITH ORDINALITY u(q, i)
			WHERE NOT EXISTS (SELECT 1 FROM series s WHERE s.property_id = $1 AND s.point = $2 AND s.quantity = q)`,
			num, point, codes); err != nil {
			return err
		}
	}
	return bumpRevision(ctx, tx, num, property)
}

// finiteOrNull is v for JSON, which has no NaN.
func finiteOrNull(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}
