package store

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"errors"
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
	Actions    []string  // none: all that the role may; else these of them
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
	Actions   []string  // nil: all that the role may
	CreatedBy string
}

func (t Token) valid(now time.Time) bool {
	return t.Revoked.IsZero() && (t.Expires.IsZero() || now.Before(t.Expires))
}

// Identity of the token.
func (t Token) Identity() Identity {
	return Identity{Token: t.ID, Name: t.Name, Role: t.Role, Scope: t.Scope, Actions: t.Actions}
}

// tokenPrefix lets a scanner of leaked secrets recognise one.
const tokenPrefix = "uk_"

// CreateToken makes a bearer token and returns its secret, which cannot be
// read back.
func (s *Store) CreateToken(ctx context.Context, n NewToken) (secret string, err error) {
	secret, _, err = s.IssueToken(ctx, n)
	return secret, err
}

// IssueToken is CreateToken, and says what was created.
func (s *Store) IssueToken(ctx context.Context, n NewToken) (secret string, t Token, err error) {
	if err := errors.Join(n.check(), mayGive(ctx, n.scope())); err != nil {
		return "", Token{}, fmt.Errorf("create token %s: %w", n.Name, err)
	}
	random, _ := newSecret()
	secret = tokenPrefix + random
	hash := sha256.Sum256([]byte(secret))
	err = withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) error {
		id, err := insertToken(ctx, tx, n, hash)
		if err != nil {
			return err
		}
		if t, err = scanToken(tx.QueryRow(ctx, `SELECT `+tokenColumns+` FROM token t WHERE token_id = $1`, id)); err != nil {
			return err
		}
		return audit(ctx, tx, n.By, AuditEntry{Action: "token-create", Object: fmt.Sprintf("token %d", id), Detail: string(n.Role)})
	})
	if err != nil {
		return "", Token{}, fmt.Errorf("create token %s: %w", n.Name, err)
	}
	return secret, t, nil
}

// scope of the token: without properties every one, save for an operator.
func (n NewToken) scope() Scope {
	return Scope{All: len(n.Properties) == 0 && n.Role != RoleOperator, Properties: n.Properties}
}

func (n NewToken) check() error {
	if _, ok := ParseRole(string(n.Role)); !ok {
		return inField("role", invalid("there is no role %q", n.Role))
	}
	if n.Role == RoleOwner && len(n.Properties) == 0 {
		return inField("properties", invalid("an owner's token without a property"))
	}
	if n.Name == "" {
		return inField("name", invalid("a token without a name"))
	}
	if n.Role == RoleOperator && len(n.Properties) > 0 {
		return inField("properties", invalid("an operator's token with a property"))
	}
	return nil
}

func insertToken(ctx context.Context, tx pgx.Tx, n NewToken, hash [32]byte) (id int32, err error) {
	err = tx.QueryRow(ctx, `INSERT INTO token (secret_sha256, name, role, all_properties, created_by, expires_at, actions)
		VALUES ($1, $2, $3, $4, $5, $6, $7) RETURNING token_id`,
		hash[:], cutText(n.Name, 200), string(n.Role), n.scope().All, cutText(n.By, 200), nullInstant(n.Expires), n.Actions).Scan(&id)
	if err != nil {
		return 0, err
	}
	for _, p := range n.Properties {
		tag, err := tx.Exec(ctx, `INSERT INTO token_property (token_id, property_id)
			SELECT $1, property_id FROM property WHERE name = $2 ON CONFLICT DO NOTHING`, id, p)
		if err != nil {
			return 0, err
		}
		if tag.RowsAffected() == 0 {
			return 0, inField("properties", notFound("property %s", p))
		}
	}
	return id, nil
}

// CheckToken finds the token behind a secret. ErrNotFound covers every reason
// why it is not accepted: unknown, expired, revoked.
func (s *Store) CheckToken(ctx context.Context, secret string, now time.Time) (Token, error) {
	ctx = asService(ctx)
	hash := sha256.Sum256([]byte(secret))
	var stored []byte
	t, err := scanToken(s.api.QueryRow(ctx, `SELECT `+tokenColumns+`, secret_sha256 FROM token t WHERE secret_sha256 = $1`, hash[:]), &stored)
	if isNoRows(err) {
		return Token{}, notFound("token")
	}
	if err != nil {
		return Token{}, fmt.Errorf("check token: %w", err)
	}
	if subtle.ConstantTimeCompare(hash[:], stored) != 1 || !t.valid(now) {
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
	created_at, created_by, expires_at, revoked_at, last_used_at, actions`

func scanToken(row pgx.Row, more ...any) (Token, error) {
	var t Token
	var expires, revoked, used *time.Time
	dest := append([]any{&t.ID, &t.Name, &t.Role, &t.Scope.All, &t.Scope.Properties, &t.CreatedAt, &t.CreatedBy, &expires, &revoked, &used, &t.Actions}, more...)
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

// mayRevoke refuses a token whose rights go beyond the context's bounds.
func (s *Store) mayRevoke(ctx context.Context, id int32) error {
	if bounds(ctx).All {
		return nil
	}
	t, err := scanToken(s.api.QueryRow(asService(ctx), `SELECT `+tokenColumns+` FROM token t WHERE token_id = $1`, id))
	if errors.Is(err, pgx.ErrNoRows) || err == nil && mayGive(ctx, t.Scope) != nil {
		return ErrNotFound
	}
	return err
}

// RevokeToken makes a token fail from now on, and ends the sessions that were
// started with it.
func (s *Store) RevokeToken(ctx context.Context, id int32, by string) error {
	if err := s.mayRevoke(ctx, id); err != nil {
		return fmt.Errorf("revoke token %d: %w", id, err)
	}
	err := withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `UPDATE token SET revoked_at = coalesce(revoked_at, now()) WHERE token_id = $1`, id)
		if err == nil && tag.RowsAffected() == 0 {
			return ErrNotFound
		}
		if err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `UPDATE session SET ended_at = now() WHERE token_id = $1 AND ended_at IS NULL`, id); err != nil {
			return err
		}
		return audit(ctx, tx, by, AuditEntry{Action: "token-revoke", Object: fmt.Sprintf("token %d", id)})
	})
	if err != nil {
		return fmt.Errorf("revoke token %d: %w", id, err)
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
