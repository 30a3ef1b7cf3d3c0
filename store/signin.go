package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
)

// TooSoonError refuses a try to sign in for a while. It concerns one address
// that one account was tried from: whoever guesses cannot shut out anybody who
// sits elsewhere.
type TooSoonError struct{ Wait time.Duration }

// Error says how long to wait.
func (e *TooSoonError) Error() string {
	return fmt.Sprintf("too many tries; wait %s", e.Wait.Round(time.Second))
}

// A try counts before it is judged, so that many at once do not slip through;
// one that succeeds takes its count back. After four tries the wait doubles
// from 1 s to 15 min; a day without a try forgets them.
const (
	tryDelaySQL = `make_interval(secs => CASE WHEN f.failures < 5 THEN 0 ELSE least(power(2, least(f.failures - 5, 20)), 900) END)`
	tryForget   = 24 * time.Hour
)

// allowTry counts a try, or says how long to wait.
func (s *Store) allowTry(ctx context.Context, source string, account []byte, now time.Time) error {
	tag, err := s.api.Exec(ctx, `INSERT INTO sign_in_failure AS f (source, account_sha256, failures, last_at) VALUES ($1, $2, 1, $3)
		ON CONFLICT (source, account_sha256) DO UPDATE
			SET failures = CASE WHEN f.last_at < $4 THEN 1 ELSE f.failures + 1 END, last_at = $3
			WHERE f.last_at + `+tryDelaySQL+` <= $3`, source, account, now, now.Add(-tryForget))
	if err != nil {
		return fmt.Errorf("count a try to sign in: %w", err)
	}
	if tag.RowsAffected() > 0 {
		return nil
	}
	var until time.Time
	err = s.api.QueryRow(ctx, `SELECT f.last_at + `+tryDelaySQL+` FROM sign_in_failure f WHERE source = $1 AND account_sha256 = $2`,
		source, account).Scan(&until)
	if err != nil && !isNoRows(err) {
		return fmt.Errorf("ask how long to wait: %w", err)
	}
	return &TooSoonError{Wait: max(time.Second, until.Sub(now))}
}

func forgetTries(ctx context.Context, tx pgx.Tx, source string, account []byte) error {
	_, err := tx.Exec(ctx, `DELETE FROM sign_in_failure WHERE source = $1 AND account_sha256 = $2`, source, account)
	return err
}

// SignIn starts a session with e-mail address and password. ErrNotFound covers
// an unknown address, a disabled person, one without a password and a wrong
// password alike: each costs one hash and the same statements. *TooSoonError
// when this address has tried this account too often.
func (s *Store) SignIn(ctx context.Context, email, password string, from Origin, now time.Time) (secret string, err error) {
	ctx = asService(ctx)
	account, source := accountKey(email), cutText(from.Source, 100)
	if err := s.allowTry(ctx, source, account, now); err != nil {
		return "", err
	}
	who, phc, err := s.credentialsOf(ctx, email)
	if err != nil {
		return "", fmt.Errorf("sign in: %w", err)
	}
	good := CheckPassword(phc, password) && who != 0
	err = withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) error {
		if !good {
			object := ""
			if who != 0 {
				object = fmt.Sprintf("person %d", who)
			}
			return audit(ctx, tx, "", AuditEntry{Actor: "nobody", Action: "sign-in", Object: object, Refused: true, Source: source, Detail: "password"})
		}
		if err := forgetTries(ctx, tx, source, account); err != nil {
			return err
		}
		if err := rehash(ctx, tx, who, phc, password); err != nil {
			return err
		}
		secret, err = startSession(ctx, tx, Identity{Person: who}, "password", from, now)
		return err
	})
	if err != nil {
		return "", fmt.Errorf("sign in: %w", err)
	}
	if !good {
		return "", notFound("person with this password")
	}
	return secret, nil
}

// credentialsOf finds the person and the hash behind an address; 0 and "" where
// there is none.
func (s *Store) credentialsOf(ctx context.Context, email string) (person int32, phc string, err error) {
	err = s.api.QueryRow(ctx, `SELECT person_id, password FROM person WHERE lower(email) = lower(trim($1)) AND email <> '' AND disabled_at IS NULL`,
		cutText(email, 300)).Scan(&person, &phc)
	if isNoRows(err) {
		return 0, "", nil
	}
	return person, phc, err
}

// rehash brings an older hash to today's cost, now that the password is known.
func rehash(ctx context.Context, tx pgx.Tx, person int32, phc, password string) error {
	if !needsRehash(phc) {
		return nil
	}
	fresh, err := HashPassword(password)
	if errors.Is(err, ErrInvalid) { // of older rules; stays as it is
		return nil
	}
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `UPDATE person SET password = $2 WHERE person_id = $1 AND password = $3`, person, fresh, phc)
	return err
}

// How long a link to sign in is good, and how many a person gets in an hour:
// whoever asks in another's name must not fill their mailbox.
const (
	SignInLinkLife  = 15 * time.Minute
	signInLinksHour = 4
)

// SignInLink is a link to be mailed to a person; it signs in whoever has it.
type SignInLink struct {
	Person  Person
	Secret  string
	Expires time.Time
}

// NewSignInLink makes a link for the person with the address. ErrNotFound when
// there is none or they got enough links already; whoever asked is to be told
// the same either way.
func (s *Store) NewSignInLink(ctx context.Context, email string, from Origin, now time.Time) (SignInLink, error) {
	ctx = asService(ctx)
	p, err := s.PersonByEmail(ctx, email)
	if err != nil {
		return SignInLink{}, fmt.Errorf("link to sign in: %w", err)
	}
	return s.newLink(ctx, p, newLink{life: SignInLinkLife, actor: "nobody", action: "sign-in-link", source: from.Source}, now)
}

// InvitationLife is how long an invitation can be used.
const InvitationLife = 72 * time.Hour

// Invite makes a link with which a person signs in for the first time, or again
// after being locked out of their mail for a while. ErrConflict when the person
// has no address, is disabled or got enough links already.
func (s *Store) Invite(ctx context.Context, person int32, by string, now time.Time) (SignInLink, error) {
	if err := s.mayManage(ctx, person); err != nil {
		return SignInLink{}, fmt.Errorf("invite person %d: %w", person, err)
	}
	p, err := s.Person(ctx, person)
	switch {
	case err != nil:
		return SignInLink{}, err
	case p.Email == "" || !p.Disabled.IsZero():
		return SignInLink{}, fmt.Errorf("invite person %d: %w", person, inField("email", conflict("an invitation needs an e-mail address and a person who is not locked")))
	}
	link, err := s.newLink(asService(ctx), p, newLink{life: InvitationLife, actor: by, action: "person-invite"}, now)
	if errors.Is(err, ErrNotFound) {
		return SignInLink{}, fmt.Errorf("invite person %d: %w", person, inField("email", conflict("%d links went there within the hour; wait a while", signInLinksHour)))
	}
	return link, err
}

// newLink says what becomes of a link to sign in.
type newLink struct {
	life                  time.Duration
	actor, action, source string
}

func (s *Store) newLink(ctx context.Context, p Person, n newLink, now time.Time) (SignInLink, error) {
	link := SignInLink{Person: p, Expires: now.Add(n.life)}
	link.Secret, _ = newSecret()
	err := withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `SELECT FROM person WHERE person_id = $1 FOR UPDATE`, p.ID); err != nil {
			return err
		}
		tag, err := tx.Exec(ctx, `INSERT INTO sign_in_link (secret_sha256, person_id, created_at, expires_at, source)
			SELECT $1, $2, $3, $4, $5 WHERE (SELECT count(*) FROM sign_in_link WHERE person_id = $2 AND created_at > $6) < $7`,
			hashOf(link.Secret), p.ID, now, link.Expires, cutText(n.source, 100), now.Add(-time.Hour), signInLinksHour)
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			return notFound("another link within the hour")
		}
		entry := AuditEntry{Action: n.action, Object: fmt.Sprintf("person %d", p.ID), Source: n.source}
		if n.actor == "nobody" {
			entry.Actor = n.actor
		}
		return audit(ctx, tx, n.actor, entry)
	})
	if err != nil {
		return SignInLink{}, fmt.Errorf("link to sign in for person %d: %w", p.ID, err)
	}
	return link, nil
}

// UseSignInLink starts a session with the secret of a link, once. ErrNotFound
// when it is unknown, used, too old, or its person is disabled.
func (s *Store) UseSignInLink(ctx context.Context, link string, from Origin, now time.Time) (secret string, err error) {
	ctx = asService(ctx)
	err = withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) error {
		var person int32
		err := tx.QueryRow(ctx, `UPDATE sign_in_link l SET used_at = $2 FROM person pe
			WHERE l.secret_sha256 = $1 AND l.used_at IS NULL AND l.expires_at > $2 AND pe.person_id = l.person_id AND pe.disabled_at IS NULL
			RETURNING l.person_id`, hashOf(link), now).Scan(&person)
		if isNoRows(err) {
			return audit(ctx, tx, "", AuditEntry{Actor: "nobody", Action: "sign-in", Refused: true, Source: from.Source, Detail: "mail-link"})
		}
		if err != nil {
			return err
		}
		secret, err = startSession(ctx, tx, Identity{Person: person}, "mail-link", from, now)
		return err
	})
	if err != nil {
		return "", fmt.Errorf("sign in by link: %w", err)
	}
	if secret == "" {
		return "", notFound("link to sign in")
	}
	return secret, nil
}

// ChangeOwnPassword gives a person a new password who knows the old one, or who
// has none yet; every session of theirs ends. ErrConflict when the old one is
// wrong.
func (s *Store) ChangeOwnPassword(ctx context.Context, person int32, old, fresh string) error {
	ctx = asService(ctx)
	var phc string
	if err := s.api.QueryRow(ctx, `SELECT password FROM person WHERE person_id = $1 AND disabled_at IS NULL`, person).Scan(&phc); err != nil {
		return fmt.Errorf("change the password of person %d: %w", person, err)
	}
	if phc != "" && !CheckPassword(phc, old) {
		return conflict("the old password is another")
	}
	_, err := s.ChangePerson(ctx, person, PersonChange{Password: &fresh, By: fmt.Sprintf("person %d", person)})
	return err
}

// ServiceCounts tell how the service does without naming a house.
type ServiceCounts struct {
	Gateways, SilentGateways int            // known; not heard of for a day
	Quarantine               map[string]int // open entries by reason
}

// ServiceCounts at the time now, over the whole fleet whoever asks.
func (s *Store) ServiceCounts(ctx context.Context, now time.Time) (ServiceCounts, error) {
	ctx = asService(ctx)
	c := ServiceCounts{Quarantine: map[string]int{}}
	err := s.api.QueryRow(ctx, `SELECT count(*), count(*) FILTER (WHERE st.heard_at IS NULL OR st.heard_at < $1)
		FROM gateway g LEFT JOIN gateway_status st USING (property_id, gateway_id) WHERE g.revoked_at IS NULL AND g.kind = 'gateway'`,
		now.Add(-24*time.Hour)).Scan(&c.Gateways, &c.SilentGateways)
	if err != nil {
		return c, fmt.Errorf("count gateways: %w", err)
	}
	rows, err := s.api.Query(ctx, `SELECT reason, count(*) FROM quarantine WHERE outcome IS NULL GROUP BY reason`)
	if err != nil {
		return c, fmt.Errorf("count the quarantine: %w", err)
	}
	var reason string
	var n int
	if _, err := pgx.ForEachRow(rows, []any{&reason, &n}, func() error { c.Quarantine[reason] = n; return nil }); err != nil {
		return c, fmt.Errorf("count the quarantine: %w", err)
	}
	return c, nil
}
