package store

import (
	"context"
	"crypto/sha256"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
)

// How long a browser stays signed in: without use, and at all.
const (
	SessionIdle = 12 * time.Hour
	SessionLife = 14 * 24 * time.Hour
)

// Origin is where a request to sign in came from.
type Origin struct {
	Source string // address
	Agent  string // what the browser calls itself
	Old    string // secret of the session that the new one takes the place of; "" none
}

// Identity is who stands behind a session or a token.
type Identity struct {
	Person  int32 // 0: a token
	Token   int32 // 0: a person
	Name    string
	Role    Role
	Scope   Scope
	Units   string   // "us", "si"; "": those of the property
	Actions []string // of a token: nil for all that its role may
}

// Actor is the identity as the audit log names it.
func (i Identity) Actor() string {
	if i.Person != 0 {
		return fmt.Sprintf("person %d", i.Person)
	}
	return fmt.Sprintf("token %d", i.Token)
}

// Session is one signed-in browser; never its secret.
type Session struct {
	ID        int64
	Method    string // password, mail-link, openid, token
	CreatedAt time.Time
	SeenAt    time.Time // to the minute
	ExpiresAt time.Time
	Source    string
	Agent     string
}

func hashOf(secret string) []byte {
	h := sha256.Sum256([]byte(secret))
	return h[:]
}

// startSession makes a session and ends the one that it follows on, so that a
// secret which somebody planted before the sign-in is worth nothing after it.
func startSession(ctx context.Context, tx pgx.Tx, who Identity, method string, from Origin, now time.Time) (secret string, err error) {
	secret, _ = newSecret()
	var person, token any
	if who.Person != 0 {
		person = who.Person
	} else {
		token = who.Token
	}
	if from.Old != "" {
		if _, err := tx.Exec(ctx, `UPDATE session SET ended_at = $2 WHERE secret_sha256 = $1 AND ended_at IS NULL`, hashOf(from.Old), now); err != nil {
			return "", err
		}
	}
	_, err = tx.Exec(ctx, `INSERT INTO session (secret_sha256, person_id, token_id, method, created_at, seen_at, expires_at, source, agent)
		VALUES ($1, $2, $3, $4, $5, $5, $6, $7, $8)`,
		hashOf(secret), person, token, method, now, now.Add(SessionLife), cutText(from.Source, 100), cutText(from.Agent, 300))
	if err != nil {
		return "", err
	}
	return secret, audit(ctx, tx, "", AuditEntry{Actor: who.Actor(), Action: "sign-in", Source: from.Source, Detail: method})
}

// StartTokenSession signs a browser in with a bearer token.
func (s *Store) StartTokenSession(ctx context.Context, token string, from Origin, now time.Time) (secret string, err error) {
	ctx = asService(ctx)
	t, err := s.CheckToken(ctx, token, now)
	if err != nil {
		return "", err
	}
	err = withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) (err error) {
		secret, err = startSession(ctx, tx, t.Identity(), "token", from, now)
		return err
	})
	if err != nil {
		return "", fmt.Errorf("sign in with token %d: %w", t.ID, err)
	}
	return secret, nil
}

// StartVerifiedSession signs in the person with an e-mail address that an
// OpenID provider has vouched for. ErrNotFound when there is none.
func (s *Store) StartVerifiedSession(ctx context.Context, email string, from Origin, now time.Time) (secret string, err error) {
	ctx = asService(ctx)
	p, err := s.PersonByEmail(ctx, email)
	if err != nil {
		if noted := s.Note(ctx, AuditEntry{Actor: "nobody", Action: "sign-in", Refused: true, Source: from.Source, Detail: "openid, unknown address"}); noted != nil {
			return "", noted
		}
		return "", err
	}
	err = withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) (err error) {
		secret, err = startSession(ctx, tx, Identity{Person: p.ID}, "openid", from, now)
		return err
	})
	if err != nil {
		return "", fmt.Errorf("sign in person %d: %w", p.ID, err)
	}
	return secret, nil
}

// CheckSession finds who stands behind the secret of a session, with the rights
// they have now. ErrNotFound covers every reason why it is not accepted.
func (s *Store) CheckSession(ctx context.Context, secret string, now time.Time) (Identity, error) {
	ctx = asService(ctx)
	if secret == "" {
		return Identity{}, notFound("session")
	}
	var id int64
	var person, token *int32
	var seen time.Time
	err := s.api.QueryRow(ctx, `SELECT session_id, person_id, token_id, seen_at FROM session
		WHERE secret_sha256 = $1 AND ended_at IS NULL AND expires_at > $2 AND seen_at > $3`,
		hashOf(secret), now, now.Add(-SessionIdle)).Scan(&id, &person, &token, &seen)
	if isNoRows(err) {
		return Identity{}, notFound("session")
	}
	if err != nil {
		return Identity{}, fmt.Errorf("check session: %w", err)
	}
	who, err := s.identity(ctx, person, token, now)
	if err != nil {
		return Identity{}, err
	}
	if now.Sub(seen) >= time.Minute {
		if _, err := s.api.Exec(ctx, `UPDATE session SET seen_at = greatest(seen_at, $2) WHERE session_id = $1`, id, now); err != nil {
			return Identity{}, fmt.Errorf("note use of session %d: %w", id, err)
		}
	}
	return who, nil
}

func (s *Store) identity(ctx context.Context, person, token *int32, now time.Time) (Identity, error) {
	if person != nil {
		p, err := s.Person(ctx, *person)
		if err != nil || !p.Disabled.IsZero() {
			return Identity{}, orNotFound(err, "session of a disabled person")
		}
		return p.Identity(), nil
	}
	t, err := scanToken(s.api.QueryRow(ctx, `SELECT `+tokenColumns+` FROM token t WHERE token_id = $1`, *token))
	if err != nil || !t.valid(now) {
		return Identity{}, orNotFound(err, "session of a token that is no longer valid")
	}
	return t.Identity(), nil
}

func orNotFound(err error, what string) error {
	if err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	return notFound("%s", what)
}

// Identity of the person.
func (p Person) Identity() Identity {
	return Identity{Person: p.ID, Name: p.Name, Role: p.Role, Scope: p.Scope, Units: p.Units}
}

// EndSession signs the browser out that has the secret; an unknown one is no
// error.
func (s *Store) EndSession(ctx context.Context, secret string, now time.Time) error {
	if _, err := s.api.Exec(ctx, `UPDATE session SET ended_at = $2 WHERE secret_sha256 = $1 AND ended_at IS NULL`, hashOf(secret), now); err != nil {
		return fmt.Errorf("end session: %w", err)
	}
	return nil
}

// Sessions lists where a person or token is signed in, newest first.
func (s *Store) Sessions(ctx context.Context, who Identity, now time.Time) ([]Session, error) {
	rows, err := s.api.Query(ctx, `SELECT session_id, method, created_at, seen_at, expires_at, source, agent FROM session
		WHERE ended_at IS NULL AND expires_at > $3 AND seen_at > $4 AND (person_id = nullif($1, 0) OR token_id = nullif($2, 0))
		ORDER BY session_id DESC LIMIT 100`, who.Person, who.Token, now, now.Add(-SessionIdle))
	if err != nil {
		return nil, fmt.Errorf("list sessions of %s: %w", who.Actor(), err)
	}
	out, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (x Session, err error) {
		err = r.Scan(&x.ID, &x.Method, &x.CreatedAt, &x.SeenAt, &x.ExpiresAt, &x.Source, &x.Agent)
		x.CreatedAt, x.SeenAt, x.ExpiresAt = x.CreatedAt.UTC(), x.SeenAt.UTC(), x.ExpiresAt.UTC()
		return x, err
	})
	if err != nil {
		return nil, fmt.Errorf("list sessions of %s: %w", who.Actor(), err)
	}
	return out, nil
}

// EndSessionOf signs one of somebody's browsers out; ErrNotFound when it is not
// theirs.
func (s *Store) EndSessionOf(ctx context.Context, who Identity, id int64, now time.Time) error {
	err := withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `UPDATE session SET ended_at = $4 WHERE session_id = $3 AND ended_at IS NULL
			AND (person_id = nullif($1, 0) OR token_id = nullif($2, 0))`, who.Person, who.Token, id, now)
		if err == nil && tag.RowsAffected() == 0 {
			return ErrNotFound
		}
		if err != nil {
			return err
		}
		return audit(ctx, tx, who.Actor(), AuditEntry{Action: "session-end", Object: fmt.Sprintf("session %d", id)})
	})
	if err != nil {
		return fmt.Errorf("end session %d: %w", id, err)
	}
	return nil
}

// endSessions signs a person out everywhere.
func endSessions(ctx context.Context, tx pgx.Tx, person int32) error {
	_, err := tx.Exec(ctx, `UPDATE session SET ended_at = now() WHERE person_id = $1 AND ended_at IS NULL`, person)
	return err
}

// SweepAccess removes what has served its time: sessions, links, failures and
// stored answers. The audit log stays.
func (s *Store) SweepAccess(ctx context.Context, now time.Time) error {
	ctx = asService(ctx)
	for what, sql := range map[string]string{
		"sessions": `DELETE FROM session WHERE expires_at < $1 - interval '7 days' OR ended_at < $1 - interval '7 days'`,
		"links":    `DELETE FROM sign_in_link WHERE expires_at < $1 - interval '1 day'`,
		"failures": `DELETE FROM sign_in_failure WHERE last_at < $1 - interval '1 day'`,
		"answers":  `DELETE FROM idempotency_key WHERE begun_at < $1 - interval '1 day'`,
	} {
		if _, err := s.api.Exec(ctx, sql, now); err != nil {
			return fmt.Errorf("sweep old %s: %w", what, err)
		}
	}
	return nil
}

// accountKey is how a try names an account: nobody can read from the table which
// addresses were tried.
func accountKey(email string) []byte {
	return hashOf(strings.ToLower(strings.TrimSpace(email)))
}
