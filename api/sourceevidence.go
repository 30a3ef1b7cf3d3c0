package api

import "context"

// EvidenceKeys implements view.Evidence.
func (s *storeSource) EvidenceKeys(ctx context.Context) ([]string, error) {
	keys, err := s.store.EvidenceKeys(ctx)
	return keys, told(err)
}

// Checkpoint implements view.Evidence.
func (s *storeSource) Checkpoint(ctx context.Context) ([]byte, error) {
	signed, err := s.store.PublishedCheckpoint(ctx)
	return signed, told(err)
}

// Consistency implements view.Evidence.
func (s *storeSource) Consistency(ctx context.Context, from, to int64) ([][32]byte, error) {
	proof, err := s.store.ConsistencyProof(ctx, from, to)
	return proof, told(err)
}
