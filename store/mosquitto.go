package store

import (
	"context"
	"crypto/pbkdf2"
	"crypto/rand"
	"crypto/sha512"
	"encoding/base64"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
)

// mosquittoRounds is Mosquitto's own default (PW_DEFAULT_ITERATIONS); the
// password behind it has 256 random bits, which more rounds would not help.
const mosquittoRounds = 101

// mosquittoHash is a password as Mosquitto's password file has it:
// $7$rounds$salt$key, PBKDF2 with HMAC-SHA-512, salt of 12 and key of 64 bytes.
func mosquittoHash(password string) (string, error) {
	salt := make([]byte, 12)
	rand.Read(salt) // never fails, crypto/rand
	key, err := pbkdf2.Key(sha512.New, password, salt, mosquittoRounds, sha512.Size)
	if err != nil {
		return "", fmt.Errorf("hash for an external broker: %w", err)
	}
	b64 := base64.StdEncoding
	return fmt.Sprintf("$7$%d$%s$%s", mosquittoRounds, b64.EncodeToString(salt), b64.EncodeToString(key)), nil
}

// BrokerAccount is a gateway's account at an external broker.
type BrokerAccount struct {
	Username string
	Hash     string // "": issued by a release that kept none; a new password mends it
	Topics   string // what it may write, as a filter
	Own      bool   // Topics follow from the user name, as for nearly all
}

// BrokerAccounts lists every account that is good at the time now, by user name.
func (s *Store) BrokerAccounts(ctx context.Context, now time.Time) ([]BrokerAccount, error) {
	rows, err := s.api.Query(ctx, `SELECT p.name, g.name, c.slot, c.mosquitto_hash
		FROM gateway_credential c JOIN gateway g USING (property_id, gateway_id) JOIN property p USING (property_id)
		WHERE g.kind = 'gateway' AND g.revoked_at IS NULL AND c.revoked_at IS NULL AND (c.expires_at IS NULL OR c.expires_at > $1)
		ORDER BY p.name COLLATE "C", g.name COLLATE "C", c.slot`, now)
	if err != nil {
		return nil, fmt.Errorf("list accounts of gateways: %w", err)
	}
	out, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (a BrokerAccount, err error) {
		var property, gateway string
		var slot int16
		err = r.Scan(&property, &gateway, &slot, &a.Hash)
		a.Username, a.Own = slotUsername(property, gateway, slot), slot == 1
		a.Topics = "underkeep/1/" + GatewayUsername(property, gateway) + "/#"
		return a, err
	})
	if err != nil {
		return nil, fmt.Errorf("list accounts of gateways: %w", err)
	}
	return out, nil
}
