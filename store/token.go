package store

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"
)

// Role of a person or program that uses the API.
type Role string

// The roles of the contract.
const (
	RoleManager    Role = "manager"
	RoleTechnician Role = "technician"
	RoleOwner      Role = "owner"
	RoleWarranty   Role = "warranty"
	// RoleOperator runs the service and sees no property.
	RoleOperator Role = "operator"
)

// Roles lists every role.
func Roles() []Role {
	return []Role{RoleManager, RoleTechnician, RoleOwner, RoleWarranty, RoleOperator}
}

// ParseRole finds a role by its name.
func ParseRole(name string) (Role, bool) {
	r := Role(name)
	return r, slices.Contains(Roles(), r)
}

// Scope is the set of properties somebody may see. The zero value sees none.
type Scope struct {
	All        bool
	Properties []string // sorted; not used with All
}

// AllProperties is the scope without a limit.
var AllProperties = Scope{All: true}

// Sees says whether property is in the scope.
func (s Scope) Sees(property string) bool {
	if s.All {
		return true
	}
	_, ok := slices.BinarySearch(s.Properties, property)
	return ok
}

// condition is the scope as two query parameters, for
// ($n OR property.name = ANY($n+1)).
func (s Scope) args() (all bool, names []string) {
	if s.Properties == nil {
		return s.All, []string{}
	}
	return s.All, s.Properties
}

// NewToken asks for a bearer token.
type NewToken struct {
	Name       string
	Role       Role
	Properties []string  // none: all properties; an owner must name some
	Expires    time.Time // zero: never
	By         string
}

// Token is what is known of a bearer token; never the secret.
type Token struct {
	ID        int32
	Name      string
	Role      Role
	Scope     Scope
	CreatedAt time.Time
	Expires   time.Time // zero: never
	Revoked   time.Time // zero: not revoked
	LastUsed  time.Time // to the minute; zero: never
}

// tokenPrefix lets a scanner of leaked secrets recognise one.
const tokenPrefix = "uk_"

// CreateToken makes a bearer token and returns its secret, which cannot be
// read back.
func (s *Store) CreateToken(ctx context.Context, n NewToken) (secret string, err error) {
	if _, ok := ParseRole(string(n.Role)); !ok {
		return "", invalid("role %q", n.Role)
	}
	if n.Role == RoleOwner && len(n.Properties) == 0 {
		return "", invalid("an owner's token without a property")
	}
	if n.Name == "" {
		return "", invalid("a token without a name")
	}
	random, _ := newSecret()
	secret = tokenPrefix + random
	hash := sha256.Sum256([]byte(secret))
	err = withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) error { return insertToken(ctx, tx, n, hash) })
	if err != nil {
		return "", fmt.Errorf("create token %s: %w", n.Name, err)
	}
	return secret, nil
}

func insertToken(ctx context.Context, tx pgx.Tx, n NewToken, hash [32]byte) error {
	var id int32
	err := tx.QueryRow(ctx, `INSERT INTO token (secret_sha256, name, role, all_properties, created_by, expires_at)
		VALUES ($1, $2, $3, $4, $5, $6) RETURNING token_id`,
		hash[:], cutText(n.Name, 200), string(n.Role), len(n.Properties) == 0, cutText(n.By, 200), nullInstant(n.Expires)).Scan(&id)
	if err != nil {
		return err
	}
	for _, p := range n.Properties {
		tag, err := tx.Exec(ctx, `INSERT INTO token_property (token_id, property_id)
			SELECT $1, property_id FROM property WHERE name = $2 ON CONFLICT DO NOTHING`, id, p)
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			return notFound("property %s", p)
		}
	}
	return nil
}

// CheckToken finds the token behind a secret. ErrNotFound covers every reason
// why it is not accepted: unknown, expired, revoked.
func (s *Store) CheckToken(ctx context.Context, secret string, now time.Time) (Token, error) {
	hash := sha256.Sum256([]byte(secret))
	var stored []byte
	t, err := scanToken(s.api.QueryRow(ctx, `SELECT `+tokenColumns+`, secret_sha256 FROM token t WHERE secret_sha256 = $1`, hash[:]), &stored)
	if isNoRows(err) {
		return Token{}, notFound("token")
	}
	if err != nil {
		return Token{}, fmt.Errorf("check token: %w", err)
	}
	if subtle.ConstantTimeCompare(hash[:], stored) != 1 || !t.Revoked.IsZero() || !t.Expires.IsZero() && !now.Before(t.Expires) {
		return Token{}, notFound("token")
	}
	// Once a minute is enough to see which tokens are in use.
	if now.Sub(t.LastUsed) >= time.Minute {
		if _, err := s.api.Exec(ctx, `UPDATE token SET last_used_at = greatest(last_used_at, $2) WHERE token_id = $1`, t.ID, now); err != nil {
			return Token{}, fmt.Errorf("note use of token %d: %w", t.ID, err)
		}
	}
	return t, nil
}

const tokenColumns = `token_id, name, role, all_properties,
	ARRAY(SELECT p.name FROM token_property tp JOIN property p USING (property_id) WHERE tp.token_id = t.token_id ORDER BY p.name COLLATE "C"),
	created_at, expires_at, revoked_at, last_used_at`

func scanToken(row pgx.Row, more ...any) (Token, error) {
	var t Token
	var expires, revoked, used *time.Time
	dest := append([]any{&t.ID, &t.Name, &t.Role, &t.Scope.All, &t.Scope.Properties, &t.CreatedAt, &expires, &revoked, &used}, more...)
	if err := row.Scan(dest...); err != nil {
		return Token{}, err
	}
	t.CreatedAt = t.CreatedAt.UTC()
	t.Expires, t.Revoked, t.LastUsed = instant(expires), instant(revoked), instant(used)
	return t, nil
}

// Tokens lists all tokens, newest first.
func (s *Store) Tokens(ctx context.Context) ([]Token, error) {
	rows, err := s.api.Query(ctx, `SELECT `+tokenColumns+` FROM token t ORDER BY token_id DESC`)
	if err != nil {
		return nil, fmt.Errorf("list tokens: %w", err)
	}
	out, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (Token, error) { return scanToken(r) })
	if err != nil {
		return nil, fmt.Errorf("list tokens: %w", err)
	}
	return out, nil
}

// RevokeToken makes a token fail from now on.
func (s *Store) RevokeToken(ctx context.Context, id int32) error {
	tag, err := s.api.Exec(ctx, `UPDATE token SET revoked_at = coalesce(revoked_at, now()) WHERE token_id = $1`, id)
	if err != nil {
		return fmt.Errorf("revoke token %d: %w", id, err)
	}
	if tag.RowsAffected() == 0 {
		return notFound("token %d", id)
	}
	return nil
}

// instant turns a nullable time into one that is zero where there is none.
func instant(t *time.Time) time.Time {
	if t == nil {
		return time.Time{}
	}
	return t.UTC()
}

func nullInstant(t time.Time) any {
	if t.IsZero() {
		return nil
	}
	return t
}
