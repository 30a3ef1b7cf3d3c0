package view

import "context"

// Evidence knows the log of sealed days. What it tells is public: it says
// nothing of any property.
type Evidence interface {
	// EvidenceKeys are the public keys of the log, newest first; ErrNotFound
	// before anything was sealed.
	EvidenceKeys(ctx context.Context) ([]string, error)
	// Checkpoint is the latest signed state of the log that was published.
	Checkpoint(ctx context.Context) ([]byte, error)
	// Consistency proves that the log of to records grew out of its first from.
	Consistency(ctx context.Context, from, to int64) ([][32]byte, error)
}
