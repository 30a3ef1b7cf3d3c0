package api

import (
	"context"
	"fmt"
	"slices"
	"time"

	"underkeep/api/view"
	"underkeep/ingest"
	"underkeep/store/site"
)

// Descriptions implements view.Settings.
func (s *storeSource) Descriptions(ctx context.Context, scope view.Scope, property string) ([]view.Description, error) {
	reg, ok := s.store.Registered(ctx, property)
	if !ok || !scope.Allows(property) {
		return nil, view.ErrNotFound
	}
	versions, err := reg.Versions()
	if err != nil {
		return nil, err
	}
	out := make([]view.Description, len(versions))
	for i, v := range versions {
		out[i] = view.Description{From: v.Property.Effective, Document: v.Document}
	}
	return out, nil
}

// RehearseLimits implements view.Settings. One runs at a time on an instance: it
// takes a processor for seconds.
func (s *storeSource) RehearseLimits(ctx context.Context, scope view.Scope, property string, limits []byte, from, to time.Time) (view.Rehearsed, error) {
	if !scope.Allows(property) {
		return view.Rehearsed{}, view.ErrNotFound
	}
	d, err := s.store.Description(property)
	if err != nil {
		return view.Rehearsed{}, told(err)
	}
	changed := slices.Clone(d.Versions)
	for i := range changed {
		if changed[i].Limits, err = view.LimitsOver(limits, changed[i].Limits); err != nil {
			return view.Rehearsed{}, err
		}
	}
	if !s.busy.TryLock() {
		return view.Rehearsed{}, view.ErrBusy
	}
	defer s.busy.Unlock()
	both, err := ingest.RehearseStored(ctx, s.store, d, from, to, d.Versions, changed)
	if err != nil {
		return view.Rehearsed{}, told(err)
	}
	return view.Rehearsed{From: from, To: to, Readings: both[0].Readings, Own: both[0].Replay.Alarms(), Changed: both[1].Replay.Alarms()}, nil
}

// ApplyLimits implements view.Settings.
func (s *storeSource) ApplyLimits(ctx context.Context, scope view.Scope, property string, limits []byte, from site.Date, by string) (view.Property, error) {
	reg, ok := s.store.Registered(ctx, property)
	if !ok || !scope.Allows(property) {
		return view.Property{}, view.ErrNotFound
	}
	desc, err := reg.Current()
	if err != nil {
		return view.Property{}, err
	}
	if desc.Effective != nil && from.Before(*desc.Effective) {
		return view.Property{}, fmt.Errorf("a description of %s from %s on is in force already: %w", property, desc.Effective, view.ErrConflict)
	}
	if desc.Limits, err = view.LimitsOver(limits, desc.Limits); err != nil {
		return view.Property{}, err
	}
	if desc.Effective != nil || desc.Installed.Before(from) {
		desc.Effective = &from
	}
	p, _, err := s.Register(ctx, site.FormatProperty(desc), by)
	return p, err
}
