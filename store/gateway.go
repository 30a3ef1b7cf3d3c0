package store

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"
)

// newSecret makes 256 random bits as text, and what is kept of them. A plain
// SHA-256 is enough: there is no dictionary to try against a random secret,
// and thousands of gateways that reconnect at once must be checked without
// spending a slow hash on each.
func newSecret() (text string, hash [32]byte) {
	var b [32]byte
	rand.Read(b[:]) // never fails, crypto/rand
	text = base64.RawURLEncoding.EncodeToString(b[:])
	return text, sha256.Sum256([]byte(text))
}

// GatewayUsername is the MQTT user name of a gateway: "property/gateway", as in
// its topics, so that one pattern (underkeep/1/%u/readings) is the whole access
// list of an external broker.
func GatewayUsername(property, gateway string) string { return property + "/" + gateway }

// ParseGatewayUsername takes a user name apart.
func ParseGatewayUsername(username string) (property, gateway string, ok bool) {
	property, gateway, ok = strings.Cut(username, "/")
	return property, gateway, ok && property != "" && gateway != "" && !strings.Contains(gateway, "/")
}

// Credentials of a gateway for MQTT. The password is known only now.
type Credentials struct{ Username, Password string }

// AddGateway registers a gateway, or gives an existing one a new password (the
// old one then fails, and a revoked gateway may speak again).
func (s *Store) AddGateway(ctx context.Context, property, gateway, by string) (Credentials, error) {
	if reservedSource(gateway) {
		return Credentials{}, invalid("gateway name %q is taken by a source that is no gateway", gateway)
	}
	if !validName(gateway) {
		return Credentials{}, invalid("gateway name %q, want [a-z0-9][a-z0-9-]{0,39}", gateway)
	}
	password, hash := newSecret()
	err := retrying(ctx, func() error {
		return withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) error {
			num, err := lockProperty(ctx, tx, property)
			if err != nil {
				return err
			}
			if _, err := tx.Exec(ctx, `
				INSERT INTO gateway (property_id, gateway_id, name, secret_sha256, added_by)
				VALUES ($1, (SELECT coalesce(max(gateway_id), -1) + 1 FROM gateway WHERE property_id = $1), $2, $3, $4)
				ON CONFLICT (property_id, name) DO UPDATE SET secret_sha256 = excluded.secret_sha256, revoked_at = NULL,
					added_at = now(), added_by = excluded.added_by`, num, gateway, hash[:], cutText(by, 200)); err != nil {
				return err
			}
			return bumpRevision(ctx, tx, num, property)
		})
	})
	if err != nil {
		return Credentials{}, fmt.Errorf("add gateway %s of %s: %w", gateway, property, err)
	}
	return Credentials{GatewayUsername(property, gateway), password}, s.RefreshRegistry(ctx)
}

// RevokeGateway makes a gateway's password fail; what it sent stays.
func (s *Store) RevokeGateway(ctx context.Context, property, gateway string) error {
	err := withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) error {
		num, err := lockProperty(ctx, tx, property)
		if err != nil {
			return err
		}
		tag, err := tx.Exec(ctx, `UPDATE gateway SET revoked_at = coalesce(revoked_at, now()) WHERE property_id = $1 AND name = $2 AND kind = 'gateway'`, num, gateway)
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			return notFound("gateway %s", gateway)
		}
		return bumpRevision(ctx, tx, num, property)
	})
	if err != nil {
		return fmt.Errorf("revoke gateway %s of %s: %w", gateway, property, err)
	}
	return s.RefreshRegistry(ctx)
}

// CheckGateway checks MQTT credentials against the registry in memory.
func (s *Store) CheckGateway(username, password string) (property, gateway string, ok bool) {
	return s.Registry().CheckGateway(username, password)
}

func bumpRevision(ctx context.Context, tx pgx.Tx, num int32, property string) error {
	if _, err := tx.Exec(ctx, `UPDATE property SET revision = revision + 1 WHERE property_id = $1`, num); err != nil {
		return err
	}
	return notifyRegistry(ctx, tx, property)
}

// validName says whether s may name a property, a gateway or a point.
func validName(s string) bool {
	if len(s) < 1 || len(s) > 40 || s[0] == '-' {
		return false
	}
	for _, c := range []byte(s) {
		if c != '-' && (c < '0' || c > '9') && (c < 'a' || c > 'z') {
			return false
		}
	}
	return true
}
