package store

import (
	"context"
	"errors"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/riverqueue/river"

	"underkeep/store/localpg/pgtest"
)

// testArgs is a job of these tests.
type testArgs struct {
	N int `json:"n"`
}

func (testArgs) Kind() string { return "test" }

func insertJob(t *testing.T, s *Store, n int, fail error) error {
	t.Helper()
	return withTx(t.Context(), s.api, pgx.TxOptions{}, func(tx pgx.Tx) error {
		job := river.InsertManyParams{Args: testArgs{n}, InsertOpts: &river.InsertOpts{Queue: "test"}}
		if err := s.InsertJobs(t.Context(), tx, job); err != nil {
			return err
		}
		return fail
	})
}

func startJobs(t *testing.T, s *Store, o JobOptions) *Jobs {
	t.Helper()
	j, err := s.StartJobs(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := j.Stop(context.WithoutCancel(t.Context())); err != nil {
			t.Error(err)
		}
	})
	return j
}

// A job exists exactly when the transaction that caused it commits.
func TestJobsBelongToTheirTransaction(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	undone := errors.New("undone")
	if err := insertJob(t, s, 1, undone); !errors.Is(err, undone) {
		t.Fatal(err)
	}
	if err := insertJob(t, s, 2, nil); err != nil {
		t.Fatal(err)
	}
	done := make(chan int, 2)
	startJobs(t, s, JobOptions{Queues: map[string]int{"test": 1}, Register: func(w *river.Workers) {
		river.AddWorker(w, river.WorkFunc(func(_ context.Context, job *river.Job[testArgs]) error {
			done <- job.Args.N
			return nil
		}))
	}})
	if n := <-done; n != 2 {
		t.Errorf("job %d ran, want only the committed one", n)
	}
	if n := count(t, s, `SELECT count(*) FROM underkeep_jobs.river_job WHERE kind = 'test'`); n != 1 {
		t.Errorf("%d jobs", n)
	}
}

// Of two instances one runs periodic work, at once after the start.
func TestPeriodicWorkRunsInOneInstance(t *testing.T) {
	t.Parallel()
	url := pgtest.New(t, migrateTemplate)
	var running, most, runs atomic.Int32
	started, hold := make(chan struct{}, 8), make(chan struct{})
	work := Periodic{Name: "one-at-a-time", Every: time.Hour, Run: func(context.Context) error {
		if n := running.Add(1); n > most.Load() {
			most.Store(n)
		}
		defer running.Add(-1)
		runs.Add(1)
		started <- struct{}{}
		<-hold
		return nil
	}}
	for range 2 {
		startJobs(t, openURL(t, url), JobOptions{Periodic: []Periodic{work}})
	}
	select {
	case <-started:
	case <-time.After(20 * time.Second):
		t.Fatal("periodic work did not run at the start")
	}
	close(hold)
	if most.Load() != 1 || runs.Load() > 2 {
		t.Errorf("%d at once, %d runs", most.Load(), runs.Load())
	}
}

// A running job may end in peace; then its context ends.
func TestJobsStopInOrder(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	running, ended := make(chan struct{}), atomic.Bool{}
	j, err := s.StartJobs(t.Context(), JobOptions{Periodic: []Periodic{{Name: "slow", Every: time.Hour,
		Run: func(ctx context.Context) error {
			close(running)
			select {
			case <-ctx.Done():
			case <-time.After(300 * time.Millisecond):
				ended.Store(true)
			}
			return ctx.Err()
		}}}})
	if err != nil {
		t.Fatal(err)
	}
	<-running
	if err := j.Stop(t.Context()); err != nil || !ended.Load() {
		t.Errorf("stopped with %v while a job still ran (ended: %t)", err, ended.Load())
	}
}

func TestPeriodicWorkIsToldApart(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	p := Periodic{Name: "twice", Every: time.Hour, Run: func(context.Context) error { return nil }}
	for name, list := range map[string][]Periodic{"same name": {p, p}, "nothing to run": {{Name: "x", Every: time.Hour}}, "no name": {{Every: time.Hour, Run: p.Run}}} {
		if j, err := s.StartJobs(t.Context(), JobOptions{Periodic: list}); err == nil {
			t.Errorf("%s: started", name)
			_ = j.Stop(t.Context())
		}
	}
}

// The job queue is migrated by several instances at once, and stays as it is
// when a newer release has migrated it further.
func TestMigrateJobs(t *testing.T) {
	t.Parallel()
	url := pgtest.New(t)
	var wg sync.WaitGroup
	for range 3 {
		wg.Go(func() {
			if err := migrateJobs(t.Context(), url); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	s := openURL(t, url)
	if n := count(t, s, `SELECT max(version) FROM underkeep_jobs.river_migration`); n != jobSchemaVersion {
		t.Errorf("version %d", n)
	}
	if _, err := s.owner.Exec(t.Context(), `INSERT INTO underkeep_jobs.river_migration (line, version) VALUES ('main', 99)`); err != nil {
		t.Fatal(err)
	}
	if err := migrateJobs(t.Context(), url); err != nil {
		t.Errorf("beside a newer release: %v", err)
	}
}
