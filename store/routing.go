package store

import (
	"context"
	"crypto/rand"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
)

// Routing is a document that says who is told of what.
type Routing struct {
	ID       int32 // counts up; 0: none was ever set
	Document string
	SetAt    time.Time
	SetBy    string
}

const routingSQL = `SELECT routing_id, document, set_at, set_by FROM routing ORDER BY routing_id DESC LIMIT 1`

func scanRouting(row pgx.Row) (r Routing, err error) {
	err = row.Scan(&r.ID, &r.Document, &r.SetAt, &r.SetBy)
	if isNoRows(err) {
		return Routing{}, nil
	}
	if err != nil {
		return Routing{}, fmt.Errorf("read the routing: %w", err)
	}
	r.SetAt = r.SetAt.UTC()
	return r, nil
}

// Routing is the document in force; its ID is 0 when none was ever set.
func (s *Store) Routing(ctx context.Context) (Routing, error) {
	return scanRouting(s.api.QueryRow(ctx, routingSQL))
}

// RoutingTx is Routing within tx.
func (s *Store) RoutingTx(ctx context.Context, tx pgx.Tx) (Routing, error) {
	return scanRouting(tx.QueryRow(ctx, routingSQL))
}

// SetRouting puts a document in force. Whoever calls it has checked it.
func (s *Store) SetRouting(ctx context.Context, document, by string, now time.Time) error {
	_, err := s.api.Exec(ctx, `INSERT INTO routing (document, set_at, set_by) VALUES ($1, $2, $3)`, document, now, cutText(by, 200))
	if err != nil {
		return fmt.Errorf("set the routing: %w", err)
	}
	return nil
}

// Webhook is a program that is told of alarms.
type Webhook struct {
	ID          int32
	Name, URL   string
	Secret      []byte
	OldSecret   []byte // nil: none
	OldUntil    time.Time
	CreatedAt   time.Time
	CreatedBy   string
	Disabled    time.Time // zero: not
	DisabledWhy string
}

const webhookSQL = `SELECT webhook_id, name, url, secret, old_secret, old_until, created_at, created_by, disabled_at, disabled_why FROM webhook `

func scanWebhook(row pgx.CollectableRow) (w Webhook, err error) {
	var until, disabled *time.Time
	err = row.Scan(&w.ID, &w.Name, &w.URL, &w.Secret, &w.OldSecret, &until, &w.CreatedAt, &w.CreatedBy, &disabled, &w.DisabledWhy)
	w.OldUntil, w.Disabled, w.CreatedAt = instant(until), instant(disabled), w.CreatedAt.UTC()
	return w, err
}

// Webhooks lists all, also disabled ones.
func (s *Store) Webhooks(ctx context.Context) ([]Webhook, error) {
	rows, err := s.api.Query(ctx, webhookSQL+`ORDER BY webhook_id`)
	if err != nil {
		return nil, fmt.Errorf("list webhooks: %w", err)
	}
	out, err := pgx.CollectRows(rows, scanWebhook)
	if err != nil {
		return nil, fmt.Errorf("list webhooks: %w", err)
	}
	return out, nil
}

// Webhook is one webhook.
func (s *Store) Webhook(ctx context.Context, id int32) (Webhook, error) {
	rows, err := s.evaluation.Query(ctx, webhookSQL+`WHERE webhook_id = $1`, id)
	if err != nil {
		return Webhook{}, fmt.Errorf("webhook %d: %w", id, err)
	}
	w, err := pgx.CollectExactlyOneRow(rows, scanWebhook)
	if isNoRows(err) {
		return Webhook{}, notFound("webhook %d", id)
	}
	if err != nil {
		return Webhook{}, fmt.Errorf("webhook %d: %w", id, err)
	}
	return w, nil
}

// WebhookIDs are those of the webhooks that are told now.
func (s *Store) WebhookIDs(ctx context.Context, tx pgx.Tx) ([]int32, error) {
	rows, err := tx.Query(ctx, `SELECT webhook_id FROM webhook WHERE disabled_at IS NULL ORDER BY webhook_id`)
	if err != nil {
		return nil, fmt.Errorf("list webhooks: %w", err)
	}
	out, err := pgx.CollectRows(rows, pgx.RowTo[int32])
	if err != nil {
		return nil, fmt.Errorf("list webhooks: %w", err)
	}
	return out, nil
}

// webhookSecretBytes is more than the least that Standard Webhooks asks for, 24.
const webhookSecretBytes = 32

func newWebhookSecret() []byte {
	secret := make([]byte, webhookSecretBytes)
	rand.Read(secret) // never fails, crypto/rand
	return secret
}

// AddWebhook adds a receiver with a secret of its own.
func (s *Store) AddWebhook(ctx context.Context, name, url, by string, now time.Time) (Webhook, error) {
	w := Webhook{Name: name, URL: url, Secret: newWebhookSecret(), CreatedAt: now, CreatedBy: by}
	if name == "" || len(name) > 200 || len(url) < 8 || len(url) > 2000 {
		return Webhook{}, invalid("webhook %q: want a name of at most 200 and an address of at most 2000 characters", name)
	}
	err := s.api.QueryRow(ctx, `INSERT INTO webhook (name, url, secret, created_at, created_by) VALUES ($1, $2, $3, $4, $5) RETURNING webhook_id`,
		name, url, w.Secret, now, cutText(by, 200)).Scan(&w.ID)
	if err != nil {
		return Webhook{}, fmt.Errorf("add webhook %s: %w", name, err)
	}
	return w, nil
}

// oldSecretFor is how long the secret before signs beside the new one.
const oldSecretFor = 24 * time.Hour

// RotateWebhook gives a webhook a new secret; the old one signs for a day more.
func (s *Store) RotateWebhook(ctx context.Context, id int32, now time.Time) (Webhook, error) {
	tag, err := s.api.Exec(ctx, `UPDATE webhook SET old_secret = secret, old_until = $3, secret = $2 WHERE webhook_id = $1`,
		id, newWebhookSecret(), now.Add(oldSecretFor))
	if err != nil {
		return Webhook{}, fmt.Errorf("change the secret of webhook %d: %w", id, err)
	}
	if tag.RowsAffected() == 0 {
		return Webhook{}, notFound("webhook %d", id)
	}
	return s.Webhook(ctx, id)
}

// DisableWebhook ends deliveries to a webhook.
func (s *Store) DisableWebhook(ctx context.Context, id int32, why string, now time.Time) error {
	tag, err := s.evaluation.Exec(ctx, `UPDATE webhook SET disabled_at = coalesce(disabled_at, $2),
		disabled_why = CASE WHEN disabled_at IS NULL THEN $3 ELSE disabled_why END WHERE webhook_id = $1`, id, now, cutText(why, 1000))
	if err != nil {
		return fmt.Errorf("disable webhook %d: %w", id, err)
	}
	if tag.RowsAffected() == 0 {
		return notFound("webhook %d", id)
	}
	return nil
}
