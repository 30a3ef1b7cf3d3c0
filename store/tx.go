package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
)

// beginner is a pool.
type beginner interface {
	BeginTx(ctx context.Context, o pgx.TxOptions) (pgx.Tx, error)
}

// withTx is the only place where a transaction begins. It commits when f
// returns nil and rolls back otherwise.
func withTx(ctx context.Context, pool beginner, opts pgx.TxOptions, f func(pgx.Tx) error) (err error) {
	tx, err := pool.BeginTx(ctx, opts)
	if err != nil {
		return fmt.Errorf("begin: %w", err)
	}
	committed := false
	defer func() {
		if committed {
			return
		}
		// The caller's context may be over; the connection must still be
		// returned clean or closed.
		rctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
		defer cancel()
		if rerr := tx.Rollback(rctx); rerr != nil && !errors.Is(rerr, pgx.ErrTxClosed) && err == nil {
			err = fmt.Errorf("roll back: %w", rerr)
		}
	}()
	if err := f(tx); err != nil {
		return err
	}
	if err := tx.Commit(ctx); err != nil {
		return fmt.Errorf("commit: %w", err)
	}
	committed = true
	return nil
}

// Retries of a transaction that may go through next time: broken connections
// left in a pool after a restart of the database, serialization failures.
const (
	retryAttempts = 5
	retryPause    = 20 * time.Millisecond // doubled each time
)

// retrying runs f until it succeeds, fails for good, or has been tried
// retryAttempts times. f must be safe to repeat after an unknown outcome.
func retrying(ctx context.Context, f func() error) error {
	pause := retryPause
	for attempt := 1; ; attempt++ {
		err := f()
		if err == nil || attempt == retryAttempts || !mayPass(err) {
			return err
		}
		select {
		case <-ctx.Done():
			return errors.Join(err, ctx.Err())
		case <-time.After(pause):
		}
		pause *= 2
	}
}

// mayPass says whether the same transaction may go through next time.
func mayPass(err error) bool {
	k := classify(err)
	return k == failTransient || k == failPartition
}
