package viewtest

import (
	"cmp"
	"context"
	"fmt"

	"underkeep/api/view"
)

// EvidenceKey is the public key of the fleet's log, and EvidenceCheckpoint a
// checkpoint in its form; nothing was signed with any key.
const (
	EvidenceKey        = "example.org/log+2f8b7d4a+AbE0Zl0cIvY7bqB0mJ0n3mQ0c1rW9c2kz1m4c4d2Qm9Y"
	EvidenceCheckpoint = "example.org/log\n8\nXcnaeacGWamtVZy3Ad7ZoqudgjqtL0lgz+Nw7/RgQyg=\n\n— example.org/log L4t9SgAAAAA=\n"
	evidenceSize       = 8
)

// EvidenceKeys implements view.Evidence.
func (f *Fleet) EvidenceKeys(context.Context) ([]string, error) {
	return []string{EvidenceKey}, f.Down
}

// Checkpoint implements view.Evidence.
func (f *Fleet) Checkpoint(context.Context) ([]byte, error) {
	return []byte(EvidenceCheckpoint), f.Down
}

// Consistency implements view.Evidence: proofs of as many hashes as there are
// records in between, which is not how many a true one has.
func (f *Fleet) Consistency(_ context.Context, from, to int64) ([][32]byte, error) {
	if to > evidenceSize {
		return nil, cmp.Or(f.Down, fmt.Errorf("a log of %d records: %w", evidenceSize, view.ErrInvalid))
	}
	return make([][32]byte, to-from), f.Down
}
