package store

import (
	"context"
	"fmt"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/site"
)

// refresher serialises loading; the snapshot itself is read without a lock.
type refresher struct {
	mu      sync.Mutex
	changed chan struct{} // holds one when there is a newer snapshot
}

// RegistryChanged gets a value when there is a newer snapshot of the registry
// than at the value before. One listener is served.
func (s *Store) RegistryChanged() <-chan struct{} { return s.refresh.changed }

// registryChannel is where a changed registration is announced.
const registryChannel = "underkeep_registry"

// staleProperties compares revisions: cheap enough to do every minute, and
// exact whatever notifications were missed.
func (s *Store) staleProperties(ctx context.Context, old *Registry) (stale []int32, gone map[int32]bool, err error) {
	gone = make(map[int32]bool, len(old.byID))
	for id := range old.byID {
		gone[id] = true
	}
	rows, err := s.api.Query(asService(ctx), `SELECT property_id, revision FROM property`)
	if err != nil {
		return nil, nil, err
	}
	var id, revision int32
	_, err = pgx.ForEachRow(rows, []any{&id, &revision}, func() error {
		delete(gone, id)
		if p, ok := old.byID[id]; !ok || p.revision != revision {
			stale = append(stale, id)
		}
		return nil
	})
	return stale, gone, err
}

// loadProperties reads whole registrations in one snapshot.
func (s *Store) loadProperties(ctx context.Context, ids []int32) (map[int32]*Registered, error) {
	out := make(map[int32]*Registered, len(ids))
	opts := pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}
	err := withTx(asService(ctx), s.api, opts, func(tx pgx.Tx) error {
		for _, load := range []func(context.Context, pgx.Tx, []int32, map[int32]*Registered) error{
			s.loadCatalogue, loadSeries, loadGateways, loadGatewaySecrets, loadDocuments,
		} {
			if err := load(ctx, tx, ids, out); err != nil {
				return err
			}
		}
		return nil
	})
	return out, err
}

func (s *Store) loadCatalogue(ctx context.Context, tx pgx.Tx, ids []int32, out map[int32]*Registered) error {
	rows, err := tx.Query(ctx, `SELECT property_id, name, timezone, accepts_from, revision FROM property WHERE property_id = ANY($1)`, ids)
	if err != nil {
		return err
	}
	var p Registered
	_, err = pgx.ForEachRow(rows, []any{&p.Num, &p.ID, &p.Zone, &p.AcceptsFrom, &p.revision}, func() error {
		out[p.Num] = &Registered{
			ID: p.ID, Num: p.Num, Zone: p.Zone, AcceptsFrom: p.AcceptsFrom.UTC(), revision: p.revision,
			seriesByKey: map[seriesKey]int16{}, points: map[string]bool{}, gatewayByName: map[string]int16{},
		}
		return nil
	})
	return err
}

func loadSeries(ctx context.Context, tx pgx.Tx, ids []int32, out map[int32]*Registered) error {
	rows, err := tx.Query(ctx, `SELECT property_id, series_id, point, quantity, described FROM series
		WHERE property_id = ANY($1) ORDER BY property_id, series_id`, ids)
	if err != nil {
		return err
	}
	var property int32
	var series, quantity int16
	var point string
	var described bool
	_, err = pgx.ForEachRow(rows, []any{&property, &series, &point, &quantity, &described}, func() error {
		p := out[property]
		if p == nil || int(series) != len(p.series) {
			return fmt.Errorf("property %d: series %d out of order", property, series)
		}
		q := site.Quantity(quantity)
		p.series = append(p.series, Series{Point: point, Quantity: q, Described: described})
		if described {
			p.seriesByKey[seriesKey{point, q}] = series
			p.points[point] = true
		}
		return nil
	})
	return err
}

func loadGateways(ctx context.Context, tx pgx.Tx, ids []int32, out map[int32]*Registered) error {
	rows, err := tx.Query(ctx, `SELECT property_id, gateway_id, name, revoked_at IS NOT NULL, kind = 'source' FROM gateway
		WHERE property_id = ANY($1) ORDER BY property_id, gateway_id`, ids)
	if err != nil {
		return err
	}
	var property int32
	var gateway int16
	var name string
	var revoked, source bool
	_, err = pgx.ForEachRow(rows, []any{&property, &gateway, &name, &revoked, &source}, func() error {
		p := out[property]
		if p == nil || int(gateway) != len(p.gateways) {
			return fmt.Errorf("property %d: gateway %d out of order", property, gateway)
		}
		p.gateways = append(p.gateways, registeredGateway{name: name, revoked: revoked, source: source})
		p.gatewayByName[name] = gateway
		return nil
	})
	return err
}

func loadGatewaySecrets(ctx context.Context, tx pgx.Tx, ids []int32, out map[int32]*Registered) error {
	rows, err := tx.Query(ctx, `SELECT property_id, gateway_id, slot, secret_sha256, expires_at FROM gateway_credential
		WHERE property_id = ANY($1) AND revoked_at IS NULL`, ids)
	if err != nil {
		return err
	}
	var property int32
	var gateway, slot int16
	var secret []byte
	var until *time.Time
	_, err = pgx.ForEachRow(rows, []any{&property, &gateway, &slot, &secret, &until}, func() error {
		if p := out[property]; p != nil && int(gateway) < len(p.gateways) {
			p.gateways[gateway].secrets[slot-1] = gatewaySecret{issued: true, sha256: [32]byte(secret), until: instant(until)}
		}
		return nil
	})
	return err
}

func loadDocuments(ctx context.Context, tx pgx.Tx, ids []int32, out map[int32]*Registered) error {
	rows, err := tx.Query(ctx, `SELECT property_id, version, document FROM property_version
		WHERE property_id = ANY($1) AND superseded_by IS NULL
		ORDER BY property_id, effective_from NULLS FIRST`, ids)
	if err != nil {
		return err
	}
	var property int32
	var d document
	_, err = pgx.ForEachRow(rows, []any{&property, &d.version, &d.text}, func() error {
		if p := out[property]; p != nil {
			p.documents = append(p.documents, d)
		}
		return nil
	})
	return err
}

// Without a notification, changes made elsewhere are seen after this long.
const registryPoll = time.Minute

// followRegistry keeps the snapshot fresh until ctx ends. A notification is a
// hint; comparing revisions is the truth. The connection is its own: a LISTEN
// on a pooled one would outlive its use.
func (s *Store) followRegistry(ctx context.Context) {
	for ctx.Err() == nil {
		if err := s.listenRegistry(ctx); err != nil && ctx.Err() == nil {
			s.log.Warn("registry listener lost its connection", "error", err)
		}
		select {
		case <-ctx.Done():
		case <-time.After(time.Second):
		}
	}
}

func (s *Store) listenRegistry(ctx context.Context) error {
	c, err := poolConfig(s.url, "registry", 1, 15*time.Second)
	if err != nil {
		return err
	}
	conn, err := pgx.ConnectConfig(ctx, c.ConnConfig)
	if err != nil {
		return fmt.Errorf("connect: %w", err)
	}
	defer func() {
		cctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
		defer cancel()
		_ = conn.Close(cctx) // the server notices either way
	}()
	if _, err := conn.Exec(ctx, "LISTEN "+registryChannel); err != nil {
		return fmt.Errorf("listen: %w", err)
	}
	for {
		if err := s.RefreshRegistry(ctx); err != nil && !isCode(err, codeUndefinedTable) {
			return err
		}
		wctx, cancel := context.WithTimeout(ctx, registryPoll)
		_, err := conn.WaitForNotification(wctx)
		timedOut := wctx.Err() != nil && ctx.Err() == nil
		cancel()
		if err != nil && !timedOut {
			return fmt.Errorf("wait for notification: %w", err)
		}
		if err != nil && conn.IsClosed() {
			return nil // the poll's time-out broke the connection; open another
		}
	}
}
