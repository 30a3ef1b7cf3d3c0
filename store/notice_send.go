package store

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/riverqueue/river"
)

// Notice is one delivery as it is worked on and shown.
type Notice struct {
	Property   int32
	PropertyID string // "" when of no single property
	ID         int64
	Subject    string
	Round      int16
	Purpose    Purpose
	Level      int16
	Step       int16
	Channel    Channel
	Recipient  string
	Audience   string
	Content    json.RawMessage
	State      NoticeState
	CreatedAt  time.Time
	DueAt      time.Time
	ExpiresAt  time.Time
	ClaimedAt  time.Time // zero: never
	Attempts   int
	DoneAt     time.Time // zero: not yet
	Outcome    string
	LinkUsedAt time.Time // zero: its link has not been used
	Person     Person    // ID 0: nobody known
	Stopped    bool      // the address wants no mail
}

const noticeColumnsSQL = `d.property_id, coalesce(p.name, ''), d.delivery_id, d.subject, d.round, d.purpose, d.level, d.step, d.channel, d.recipient,
	d.audience, d.content, d.state, d.created_at, d.due_at, d.expires_at, d.claimed_at, d.attempts, d.done_at, d.outcome, d.link_used_at,
	coalesce(w.person_id, 0), coalesce(w.name, ''), coalesce(w.email, ''), coalesce(w.phone, ''), coalesce(w.role, ''), coalesce(w.language, ''),
	coalesce(w.units, ''), w.disabled_at, d.channel = 'mail' AND EXISTS (SELECT FROM mail_stop s WHERE s.address = lower(d.recipient))`

const noticeFromSQL = ` FROM delivery d LEFT JOIN property p USING (property_id) LEFT JOIN person w ON w.person_id = d.person_id `

func scanNotice(row pgx.Row) (n Notice, err error) {
	var claimed, done, used, disabled *time.Time
	err = row.Scan(&n.Property, &n.PropertyID, &n.ID, &n.Subject, &n.Round, &n.Purpose, &n.Level, &n.Step, &n.Channel, &n.Recipient,
		&n.Audience, &n.Content, &n.State, &n.CreatedAt, &n.DueAt, &n.ExpiresAt, &claimed, &n.Attempts, &done, &n.Outcome, &used,
		&n.Person.ID, &n.Person.Name, &n.Person.Email, &n.Person.Phone, &n.Person.Role, &n.Person.Language, &n.Person.Units, &disabled, &n.Stopped)
	n.ClaimedAt, n.DoneAt, n.LinkUsedAt, n.Person.Disabled = instant(claimed), instant(done), instant(used), instant(disabled)
	n.CreatedAt, n.DueAt, n.ExpiresAt = n.CreatedAt.UTC(), n.DueAt.UTC(), n.ExpiresAt.UTC()
	return n, err
}

// ClaimLease is how long a claim on a delivery holds. It is longer than any
// attempt may take, so that two workers never talk to the mail server about the
// same delivery; after it, whoever held it is taken to have died.
const ClaimLease = 90 * time.Second

// ClaimNotice marks a delivery as being sent and notes the attempt, in a
// transaction that commits before anything leaves the house. ok is false when
// there is nothing to do: done already, or in another's hands, then until tells
// for how long.
//
// An attempt whose end was never noted may have reached its recipient: a crash
// between the server's 250 and our commit. The next one carries the same
// Message-ID, so that mailboxes and people can tell.
func (s *Store) ClaimNotice(ctx context.Context, j NoticeJob, now time.Time) (n Notice, ok bool, until time.Time, err error) {
	err = retrying(ctx, func() error {
		n, err = scanNotice(s.deliveries.QueryRow(ctx, claimSQL, j.Property, j.Delivery, now, now.Add(-ClaimLease)))
		if ok = err == nil; ok || !isNoRows(err) {
			return err
		}
		until, err = s.notClaimed(ctx, j, now)
		return err
	})
	if err != nil {
		return n, false, until, fmt.Errorf("claim delivery %d of property %d: %w", j.Delivery, j.Property, err)
	}
	return n, ok, until, nil
}

// claimSQL is one statement: either both the claim and the attempt are there, or
// neither.
const claimSQL = `WITH d AS (
		UPDATE delivery SET state = 'sending', claimed_at = $3, attempts = attempts + 1
		WHERE property_id = $1 AND delivery_id = $2 AND done_at IS NULL AND due_at <= $3 AND (state = 'waiting' OR claimed_at <= $4)
		RETURNING *
	), attempt AS (
		INSERT INTO delivery_attempt (property_id, delivery_id, attempt, begun_at) SELECT property_id, delivery_id, attempts, $3 FROM d
	)
	SELECT ` + noticeColumnsSQL + ` FROM d LEFT JOIN property p USING (property_id) LEFT JOIN person w ON w.person_id = d.person_id`

// notClaimed says until when there is nothing to do about a delivery; zero when
// it is done with. What has come free meanwhile is to be asked for again now.
func (s *Store) notClaimed(ctx context.Context, j NoticeJob, now time.Time) (until time.Time, err error) {
	var done, claimed *time.Time
	var state NoticeState
	var due time.Time
	err = s.deliveries.QueryRow(ctx, `SELECT done_at, state, claimed_at, due_at FROM delivery WHERE property_id = $1 AND delivery_id = $2`,
		j.Property, j.Delivery).Scan(&done, &state, &claimed, &due)
	switch {
	case isNoRows(err):
		return until, notFound("delivery %d.%d", j.Property, j.Delivery)
	case err != nil || done != nil:
		return until, err
	case state == NoticeSending && claimed != nil && now.Before(claimed.Add(ClaimLease)):
		return claimed.Add(ClaimLease).UTC(), nil
	case due.After(now):
		return due.UTC(), nil
	}
	return now, nil
}

// Attempted is what came of one attempt.
type Attempted struct {
	Outcome string      // of the attempt: sent | later | refused; "" when there was none after all
	State   NoticeState // of the delivery from here on
	Detail  string      // for a person
	Again   time.Time   // for waiting
	// Follow is enqueued in the same transaction, for example the message in
	// which this one is told among others.
	Follow []NewNotice
}

// handedOverSQL is one statement, and so one round trip and one commit: the time
// between the other side's answer and this commit is the only one in which a
// crash makes a message go out twice.
//
// A link to sign in is a secret: it goes with the last attempt.
const handedOverSQL = `WITH ended AS (
		UPDATE delivery_attempt SET ended_at = $5, outcome = $6, detail = $7 WHERE property_id = $1 AND delivery_id = $2 AND attempt = $3)
	UPDATE delivery SET state = $8, done_at = $9, due_at = $10, outcome = $7,
		content = CASE WHEN purpose = 'sign-in' AND $9::timestamptz IS NOT NULL THEN '{}' ELSE content END
	WHERE property_id = $1 AND delivery_id = $2 AND state = 'sending' AND claimed_at = $4`

// FinishNotice notes what came of a claimed attempt. A claim that was lost to
// another worker meanwhile changes nothing.
func (s *Store) FinishNotice(ctx context.Context, n *Notice, a Attempted, now time.Time) error {
	done, due := &now, n.DueAt
	if a.State == NoticeWaiting {
		done, due = nil, a.Again
	}
	args := []any{n.Property, n.ID, n.Attempts, n.ClaimedAt, now, a.Outcome, cutText(a.Detail, 1000), a.State, done, due}
	err := retrying(ctx, func() error {
		if a.Outcome != "" && len(a.Follow) == 0 {
			_, err := s.deliveries.Exec(ctx, handedOverSQL, args...)
			return err
		}
		return withTx(ctx, s.deliveries, pgx.TxOptions{}, func(tx pgx.Tx) error {
			if a.Outcome == "" {
				if err := takeBack(ctx, tx, n); err != nil {
					return err
				}
			}
			tag, err := tx.Exec(ctx, handedOverSQL, args...)
			if err != nil || tag.RowsAffected() == 0 {
				return err
			}
			_, err = s.InsertNotices(ctx, tx, now, a.Follow)
			return err
		})
	})
	if err != nil {
		return fmt.Errorf("finish delivery %d of property %d: %w", n.ID, n.Property, err)
	}
	return nil
}

// takeBack removes the claim's attempt: nothing was attempted after all.
func takeBack(ctx context.Context, tx pgx.Tx, n *Notice) error {
	_, err := tx.Exec(ctx, `WITH gone AS (DELETE FROM delivery_attempt WHERE property_id = $1 AND delivery_id = $2 AND attempt = $3 RETURNING 1)
		UPDATE delivery SET attempts = attempts - 1 WHERE property_id = $1 AND delivery_id = $2 AND EXISTS (SELECT FROM gone)`,
		n.Property, n.ID, n.Attempts)
	return err
}

// ToldLately is how many alarms a recipient was told of over a channel since.
func (s *Store) ToldLately(ctx context.Context, c Channel, recipient string, since time.Time) (n int, err error) {
	err = s.evaluation.QueryRow(ctx, `SELECT count(*) FROM delivery WHERE channel = $1 AND recipient = $2 AND done_at > $3
		AND state = 'sent' AND purpose = 'alarm'`, c, recipient, since).Scan(&n)
	if err != nil {
		return 0, fmt.Errorf("count what %s was told: %w", recipient, err)
	}
	return n, nil
}

// Siblings are the other deliveries about the same subject to the same recipient
// over the same channel, oldest first.
func (s *Store) Siblings(ctx context.Context, n *Notice) ([]Notice, error) {
	rows, err := s.evaluation.Query(ctx, `SELECT `+noticeColumnsSQL+noticeFromSQL+`
		WHERE d.property_id = $1 AND d.subject = $2 AND d.channel = $3 AND d.recipient = $4 AND d.delivery_id <> $5 ORDER BY d.delivery_id`,
		n.Property, n.Subject, n.Channel, n.Recipient, n.ID)
	if err != nil {
		return nil, fmt.Errorf("what %s was told before: %w", n.Recipient, err)
	}
	out, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (Notice, error) { return scanNotice(r) })
	if err != nil {
		return nil, fmt.Errorf("what %s was told before: %w", n.Recipient, err)
	}
	return out, nil
}

// RequeueNotices gives a job to deliveries that should have been worked on by
// now and have none: given up by the queue, or lost with it. It returns how many.
func (s *Store) RequeueNotices(ctx context.Context, now time.Time, grace time.Duration) (int, error) {
	var found []river.InsertManyParams
	err := withTx(ctx, s.evaluation, pgx.TxOptions{}, func(tx pgx.Tx) error {
		rows, err := tx.Query(ctx, `SELECT d.property_id, d.delivery_id, d.channel, d.purpose FROM delivery d
			WHERE d.state IN ('waiting', 'sending') AND d.due_at < $1 AND coalesce(d.claimed_at, d.due_at) < $1
				AND NOT EXISTS (SELECT FROM `+jobSchema+`.river_job j WHERE j.kind = 'delivery' AND j.finalized_at IS NULL
					AND j.args @> jsonb_build_object('delivery', d.delivery_id))
			ORDER BY d.due_at LIMIT 1000`, now.Add(-grace))
		if err != nil {
			return err
		}
		found = nil
		var j NoticeJob
		var c Channel
		var why Purpose
		if _, err := pgx.ForEachRow(rows, []any{&j.Property, &j.Delivery, &c, &why}, func() error {
			found = append(found, j.params(c, why, time.Time{}))
			return nil
		}); err != nil {
			return err
		}
		return s.InsertJobs(ctx, tx, found...)
	})
	if err != nil {
		return 0, fmt.Errorf("find deliveries without a job: %w", err)
	}
	return len(found), nil
}

// RegionalOfNotice is the regional event that a delivery's call-out is part of,
// 0 for none, and whether that is still being looked at.
func (s *Store) RegionalOfNotice(ctx context.Context, n *Notice) (event int64, pending bool, err error) {
	e, ok, err := RegionalOf(ctx, s.evaluation, n.Property, n.Subject)
	if err != nil {
		return 0, false, err
	}
	if ok {
		return e.ID, false, nil
	}
	pending, err = RegionalPending(ctx, s.evaluation, n.Property)
	return 0, pending, err
}
