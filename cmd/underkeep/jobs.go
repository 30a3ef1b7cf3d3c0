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

// jobTries is how often jobs are tried to be started, a second apart.
const jobTries = 30

// startJobs begins to work jobs. It comes after the pages, so that a link in a
// message leads somewhere, and before the first evaluation.
func (s *service) startJobs(ctx context.Context) error {
	opts := store.JobOptions{Periodic: s.periodicWork(), Register: s.deliverer.Register, Queues: notify.Queues(), Conns: 10}
	jobs, err := s.store.StartJobs(ctx, opts)
	// A database that goes down just now is up again in seconds; messages are
	// taken meanwhile.
	for tries := 0; err != nil && tries < jobTries; tries++ {
		s.log.Warn("start jobs", "error", err)
		select {
		case <-ctx.Done():
			return err
		case <-time.After(time.Second):
		}
		jobs, err = s.store.StartJobs(ctx, opts)
	}
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
