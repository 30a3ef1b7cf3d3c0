package store

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"strings"
	"time"

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
// its topics, so that one pattern (underkeep/1/%u/#) is nearly the whole access
// list of an external broker.
func GatewayUsername(property, gateway string) string { return property + "/" + gateway }

// secondSlot ends the user name of every second password: a password file holds
// one password a user, and old and new must both work for a while.
const secondSlot = "~2"

func slotUsername(property, gateway string, slot int16) string {
	if slot == 2 {
		return GatewayUsername(property, gateway) + secondSlot
	}
	return GatewayUsername(property, gateway)
}

// ParseGatewayUsername takes a user name apart; whether it ends in "~2" makes no
// difference to who it is.
func ParseGatewayUsername(username string) (property, gateway string, ok bool) {
	property, gateway, _, ok = parseSlot(username)
	return property, gateway, ok
}

func parseSlot(username string) (property, gateway string, slot int16, ok bool) {
	property, gateway, ok = strings.Cut(username, "/")
	gateway, second := strings.CutSuffix(gateway, secondSlot)
	slot = 1
	if second {
		slot = 2
	}
	return property, gateway, slot, ok && property != "" && gateway != "" && !strings.Contains(gateway, "/")
}

// Credentials of a gateway for MQTT. The password is known only now.
type Credentials struct {
	Username, Password string
	// OldUntil is when the password before stops to work; zero: there was none,
	// or it fails already.
	OldUntil time.Time
}

// AddGateway registers a gateway, or gives an existing one a new password (the
// old ones then fail, and a revoked gateway may speak again).
func (s *Store) AddGateway(ctx context.Context, property, gateway, by string) (Credentials, error) {
	return s.issueGateway(ctx, issue{property: property, gateway: gateway, by: by, action: "gateway-add"})
}

// longestOverlap bounds how long an old password may go on.
const longestOverlap = 30 * 24 * time.Hour

// RotateGateway gives a gateway a new password under its other user name; the
// old one works on for overlap, so that nothing is lost until somebody has
// entered the new one. A gateway that is not there yet, or was revoked, just gets
// one.
func (s *Store) RotateGateway(ctx context.Context, property, gateway string, overlap time.Duration, by string) (Credentials, error) {
	if overlap < 0 || overlap > longestOverlap {
		return Credentials{}, inField("overlap_hours", invalid("overlap %s: want 0 to %d days", overlap, int(longestOverlap.Hours()/24)))
	}
	return s.issueGateway(ctx, issue{property: property, gateway: gateway, by: by, action: "gateway-rotate", overlap: overlap, rotate: true})
}

// issue is one new password on its way into the database.
type issue struct {
	property, gateway, by, action string
	overlap                       time.Duration
	rotate                        bool
	hash                          [32]byte
	mosquitto                     string
}

func (s *Store) issueGateway(ctx context.Context, i issue) (Credentials, error) {
	if reservedSource(i.gateway) {
		return Credentials{}, inField("gateway", invalid("gateway name %q is taken by a source that is no gateway", i.gateway))
	}
	if !validName(i.gateway) {
		return Credentials{}, inField("gateway", invalid("gateway name %q, want [a-z0-9][a-z0-9-]{0,39}", i.gateway))
	}
	var c Credentials
	var err error
	c.Password, i.hash = newSecret()
	if i.mosquitto, err = mosquittoHash(c.Password); err != nil {
		return Credentials{}, err
	}
	err = retrying(ctx, func() error {
		return withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) error { return i.write(ctx, tx, &c) })
	})
	if err != nil {
		return Credentials{}, fmt.Errorf("password for gateway %s of %s: %w", i.gateway, i.property, err)
	}
	return c, s.RefreshRegistry(ctx)
}

func (i issue) write(ctx context.Context, tx pgx.Tx, c *Credentials) error {
	num, err := lockProperty(ctx, tx, i.property)
	if err != nil {
		return err
	}
	var id int16
	if err := tx.QueryRow(ctx, `
		INSERT INTO gateway (property_id, gateway_id, name, secret_sha256, added_by)
		VALUES ($1, (SELECT coalesce(max(gateway_id), -1) + 1 FROM gateway WHERE property_id = $1), $2, $3, $4)
		ON CONFLICT (property_id, name) DO UPDATE SET secret_sha256 = excluded.secret_sha256, revoked_at = NULL,
			added_at = now(), added_by = excluded.added_by
		RETURNING gateway_id`, num, i.gateway, i.hash[:], cutText(i.by, 200)).Scan(&id); err != nil {
		return err
	}
	slot, err := i.retire(ctx, tx, num, id, c)
	if err != nil {
		return err
	}
	c.Username = slotUsername(i.property, i.gateway, slot)
	if _, err := tx.Exec(ctx, `INSERT INTO gateway_credential (property_id, gateway_id, slot, secret_sha256, mosquitto_hash, issued_by)
		VALUES ($1, $2, $3, $4, $5, $6)
		ON CONFLICT (property_id, gateway_id, slot) DO UPDATE SET secret_sha256 = $4, mosquitto_hash = $5, issued_by = $6,
			issued_at = now(), expires_at = NULL, revoked_at = NULL`,
		num, id, slot, i.hash[:], i.mosquitto, cutText(i.by, 200)); err != nil {
		return err
	}
	if err := audit(ctx, tx, i.by, AuditEntry{Action: i.action, Object: "gateway " + GatewayUsername(i.property, i.gateway)}); err != nil {
		return err
	}
	return bumpRevision(ctx, tx, num, i.property)
}

// retire bounds the passwords there are, and finds the slot for the new one: the
// one that the password in use does not have.
func (i issue) retire(ctx context.Context, tx pgx.Tx, num int32, id int16, c *Credentials) (slot int16, err error) {
	if !i.rotate {
		_, err := tx.Exec(ctx, `DELETE FROM gateway_credential WHERE property_id = $1 AND gateway_id = $2`, num, id)
		return 1, err
	}
	var current int16
	var until time.Time
	err = tx.QueryRow(ctx, `UPDATE gateway_credential SET expires_at = now() + make_interval(secs => $3)
		WHERE property_id = $1 AND gateway_id = $2 AND revoked_at IS NULL AND expires_at IS NULL RETURNING slot, expires_at`,
		num, id, i.overlap.Seconds()).Scan(&current, &until)
	if isNoRows(err) {
		return 1, nil
	}
	if i.overlap > 0 {
		c.OldUntil = until.UTC()
	}
	return 3 - current, err
}

// RevokeGateway makes all of a gateway's passwords fail; what it sent stays.
func (s *Store) RevokeGateway(ctx context.Context, property, gateway, by string) error {
	err := withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) error {
		num, err := lockProperty(ctx, tx, property)
		if err != nil {
			return err
		}
		var id int16
		err = tx.QueryRow(ctx, `UPDATE gateway SET revoked_at = coalesce(revoked_at, now()) WHERE property_id = $1 AND name = $2 AND kind = 'gateway' RETURNING gateway_id`,
			num, gateway).Scan(&id)
		if isNoRows(err) {
			return notFound("gateway %s", gateway)
		}
		if err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `UPDATE gateway_credential SET revoked_at = coalesce(revoked_at, now()) WHERE property_id = $1 AND gateway_id = $2`, num, id); err != nil {
			return err
		}
		if err := audit(ctx, tx, by, AuditEntry{Action: "gateway-revoke", Object: "gateway " + GatewayUsername(property, gateway)}); err != nil {
			return err
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
