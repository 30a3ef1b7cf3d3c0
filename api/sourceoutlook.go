package api

import (
	"context"

	"underkeep/alerting/outlook"
	"underkeep/api/view"
)

// OutlookInput implements view.Fleet.
func (s *storeSource) OutlookInput(ctx context.Context, scope view.Scope, property string) (outlook.Input, error) {
	in, err := s.store.OutlookInput(ctx, storeScope(scope), property, s.now())
	return in, told(err)
}
