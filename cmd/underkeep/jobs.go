package main

import (
	"context"
	"time"

	"underkeep/alerting/notify"
	"underkeep/store"
)

// periodicWork is what comes back by itself; every instance is given the same
// list. Each piece finds out from the database what is due.
func (s *service) periodicWork() []store.Periodic {
	work := []store.Periodic{
		{Name: "partitions", Every: upkeepEvery, Run: func(ctx context.Context) error { return s.store.EnsurePartitions(ctx, time.Now()) }},
	}
	return append(append(work, s.notifyWork()...), s.accessWork()...)
}

// startJobs begins to work jobs. It comes after the pages, so that a link in a
// message leads somewhere, and before the first evaluation.
func (s *service) startJobs(ctx context.Context) error {
	jobs, err := s.store.StartJobs(ctx, store.JobOptions{Periodic: s.periodicWork(), Register: s.deliverer.Register, Queues: notify.Queues(), Conns: 10})
	if err != nil {
		return err
	}
	s.onStop(func(ctx context.Context) {
		if err := jobs.Stop(ctx); err != nil {
			s.log.Error("stop jobs", "error", err)
		}
	})
	return nil
}
