package store

import (
	"bytes"
	"context"
	"fmt"
	"time"
)

// StoredAnswer is what a write with an Idempotency-Key was answered.
type StoredAnswer struct {
	Status      int
	ContentType string
	Location    string
	Body        []byte
}

// How long an answer is kept, and how long a write may be at work before its key
// is free again: the process that had it has died.
const (
	IdempotencyLife    = 24 * time.Hour
	idempotencyAtWork  = 2 * time.Minute
	maxIdempotencyBody = 1 << 20
)

// KeyReusedError says that a key was given before with another request.
type KeyReusedError struct{}

// Error says what to do.
func (KeyReusedError) Error() string { return "this key was used for another request" }

// BeginIdempotent takes a key for a request of a principal. It returns the
// answer of the earlier request with the same key and body, nil when this is
// the first; ErrConflict while the first is still at work; KeyReusedError when
// the key was used for something else.
func (s *Store) BeginIdempotent(ctx context.Context, principal, key string, request [32]byte, now time.Time) (*StoredAnswer, error) {
	tag, err := s.api.Exec(ctx, `INSERT INTO idempotency_key AS k (principal, key, request_sha256, begun_at) VALUES ($1, $2, $3, $4)
		ON CONFLICT (principal, key) DO UPDATE SET request_sha256 = $3, begun_at = $4, status = NULL, content_type = '', location = '', body = ''
			WHERE k.begun_at < $5 OR k.status IS NULL AND k.begun_at < $6`,
		principal, key, request[:], now, now.Add(-IdempotencyLife), now.Add(-idempotencyAtWork))
	if err != nil {
		return nil, fmt.Errorf("take idempotency key: %w", err)
	}
	if tag.RowsAffected() > 0 {
		return nil, nil
	}
	var hash []byte
	var status *int16
	var a StoredAnswer
	err = s.api.QueryRow(ctx, `SELECT request_sha256, status, content_type, location, body FROM idempotency_key WHERE principal = $1 AND key = $2`,
		principal, key).Scan(&hash, &status, &a.ContentType, &a.Location, &a.Body)
	switch {
	case isNoRows(err): // given back between the two statements
		return nil, conflict("another request with this key is at work")
	case err != nil:
		return nil, fmt.Errorf("read idempotency key: %w", err)
	case !bytes.Equal(hash, request[:]):
		return nil, KeyReusedError{}
	case status == nil:
		return nil, conflict("another request with this key is at work")
	}
	a.Status = int(*status)
	return &a, nil
}

// FinishIdempotent stores the answer under the key.
func (s *Store) FinishIdempotent(ctx context.Context, principal, key string, a StoredAnswer) error {
	if len(a.Body) > maxIdempotencyBody {
		return s.AbandonIdempotent(ctx, principal, key)
	}
	_, err := s.api.Exec(ctx, `UPDATE idempotency_key SET status = $3, content_type = $4, location = $5, body = $6 WHERE principal = $1 AND key = $2 AND status IS NULL`,
		principal, key, a.Status, a.ContentType, a.Location, a.Body)
	if err != nil {
		return fmt.Errorf("store the answer to an idempotency key: %w", err)
	}
	return nil
}

// AbandonIdempotent frees a key whose request changed nothing, so that it may be
// tried again.
func (s *Store) AbandonIdempotent(ctx context.Context, principal, key string) error {
	_, err := s.api.Exec(ctx, `DELETE FROM idempotency_key WHERE principal = $1 AND key = $2 AND status IS NULL`, principal, key)
	if err != nil {
		return fmt.Errorf("free an idempotency key: %w", err)
	}
	return nil
}
