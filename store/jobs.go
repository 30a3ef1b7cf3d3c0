package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/riverqueue/river"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
	"github.com/riverqueue/river/rivermigrate"
	"github.com/riverqueue/river/rivertype"
)

// Background work is carried by river, in a schema of its own. A job's row only
// says that something wants doing: whether it still does is decided by the
// worker, from our own tables, because every job may run twice (a crash after
// the work and before the note of it) and none in a given order.
const (
	jobSchema = "underkeep_jobs"
	// jobSchemaVersion is the version that this release was tested with; a
	// newer one left behind by a later release stays.
	jobSchemaVersion = 8

	// jobTimeout ends the context of a job. A job of a killed process counts as
	// running until jobRescueAfter has passed; then another process takes it.
	jobTimeout     = 30 * time.Second
	jobRescueAfter = 2 * time.Minute
	// jobSoftStop is how long running jobs may go on when the service stops.
	jobSoftStop = 10 * time.Second
)

type jobClient = river.Client[pgx.Tx]

// migrateJobs brings the tables of the job queue up to date. It is a step of
// its own, because one of river's migrations uses an enum value that another
// adds, which Postgres refuses within one transaction; and under a lock of the
// session, because river takes none.
func migrateJobs(ctx context.Context, url string) error {
	c, err := poolConfig(url, "job migrations", 3, 10*time.Minute)
	if err != nil {
		return err
	}
	pool, err := pgxpool.NewWithConfig(ctx, c)
	if err != nil {
		return fmt.Errorf("open pool for job migrations: %w", err)
	}
	defer pool.Close()
	conn, err := pool.Acquire(ctx)
	if err != nil {
		return fmt.Errorf("migrate jobs: %w", err)
	}
	defer conn.Release()
	// The lock goes with the connection, which goes with the pool.
	if _, err := conn.Exec(ctx, `SELECT pg_advisory_lock(hashtext('underkeep job migrations'))`); err != nil {
		return fmt.Errorf("lock for job migrations: %w", err)
	}
	if _, err := conn.Exec(ctx, `CREATE SCHEMA IF NOT EXISTS `+jobSchema); err != nil {
		return fmt.Errorf("create schema %s: %w", jobSchema, err)
	}
	m, err := rivermigrate.New(riverpgxv5.New(pool), &rivermigrate.Config{Schema: jobSchema})
	if err != nil {
		return fmt.Errorf("read job migrations: %w", err)
	}
	if _, err := m.Migrate(ctx, rivermigrate.DirectionUp, &rivermigrate.MigrateOpts{TargetVersion: jobSchemaVersion}); err != nil {
		return fmt.Errorf("migrate jobs to version %d: %w", jobSchemaVersion, err)
	}
	return nil
}

// newJobInserter makes the client through which jobs enter transactions.
func (s *Store) newJobInserter() (err error) {
	s.inserter, err = river.NewClient(riverpgxv5.New(nil), &river.Config{Schema: jobSchema, Logger: s.log})
	if err != nil {
		return fmt.Errorf("make the client that inserts jobs: %w", err)
	}
	return nil
}

// InsertJobs puts jobs into tx, so that they exist exactly when it commits.
// After an error the whole transaction must be rolled back. There is no way to
// insert a job outside of a transaction, on purpose.
func (s *Store) InsertJobs(ctx context.Context, tx pgx.Tx, jobs ...river.InsertManyParams) error {
	if len(jobs) == 0 {
		return nil
	}
	if _, err := s.inserter.InsertManyFastTx(ctx, tx, jobs); err != nil {
		return fmt.Errorf("insert %d jobs: %w", len(jobs), err)
	}
	return nil
}

// Periodic is work that comes back. One instance at a time runs it; a run that
// fails is repeated at the next turn. It runs at every start of the service
// too, and twice if the clock or the machines will have it so: Run must find
// out from the database what is due (keep a row with the time up to which it is
// done) and be harmless when nothing is.
type Periodic struct {
	Name  string        // [a-z][a-z-]*, unique
	Every time.Duration // at least a minute
	// Timeout ends the context of a run; default 30 s. Take what the work may
	// need at worst: nobody else runs it meanwhile.
	Timeout time.Duration
	Run     func(ctx context.Context) error
}

// JobOptions is the work of one process. All instances on one database must be
// given the same: whichever leads starts the periodic work, and any of them
// may get a job.
type JobOptions struct {
	Periodic []Periodic
	// Register adds workers of other kinds of jobs.
	Register func(*river.Workers)
	// Queues, beside the one for periodic work, with the number of workers.
	Queues map[string]int
	Conns  int // to the database; default 6
	// PollOnly is for a database behind a pooler that shares connections
	// between transactions, where LISTEN does not work.
	PollOnly bool
}

// Jobs works jobs from StartJobs to Stop.
type Jobs struct {
	client *jobClient
	pool   *pgxpool.Pool
}

const (
	periodicQueue   = "periodic"
	periodicWorkers = 2
)

// StartJobs begins to work jobs; ctx bounds only the start.
func (s *Store) StartJobs(ctx context.Context, opts JobOptions) (*Jobs, error) {
	if opts.Conns == 0 {
		opts.Conns = 6
	}
	pool, err := s.openPool(ctx, pool{"jobs", roleJobs, opts.Conns, time.Minute, scopeAll})
	if err != nil {
		return nil, err
	}
	client, err := s.newJobClient(pool, opts)
	if err == nil {
		err = client.Start(context.WithoutCancel(ctx))
	}
	if err != nil {
		pool.Close()
		return nil, fmt.Errorf("start jobs: %w", err)
	}
	return &Jobs{client: client, pool: pool}, nil
}

func (s *Store) newJobClient(pool *pgxpool.Pool, opts JobOptions) (*jobClient, error) {
	workers := river.NewWorkers()
	periodic := &periodicWorker{runs: map[string]Periodic{}}
	if err := river.AddWorkerSafely(workers, periodic); err != nil {
		return nil, err
	}
	if opts.Register != nil {
		opts.Register(workers)
	}
	c := &river.Config{
		Schema: jobSchema, Logger: s.log, Workers: workers, PollOnly: opts.PollOnly,
		JobTimeout: jobTimeout, RescueStuckJobsAfter: jobRescueAfter, SoftStopTimeout: jobSoftStop,
		FetchCooldown: 20 * time.Millisecond,
		// The role that works jobs owns no index, and only an owner may rebuild one.
		ReindexerIndexNames: []string{},
		Queues:              map[string]river.QueueConfig{periodicQueue: {MaxWorkers: periodicWorkers}},
	}
	for name, n := range opts.Queues {
		c.Queues[name] = river.QueueConfig{MaxWorkers: n}
	}
	for _, p := range opts.Periodic {
		if err := periodic.add(p); err != nil {
			return nil, err
		}
		c.PeriodicJobs = append(c.PeriodicJobs, p.job())
	}
	return river.NewClient(riverpgxv5.New(pool), c)
}

// Stop takes no more jobs, lets running ones go on for ten seconds, then ends
// their contexts, and returns when all have ended or ctx has.
func (j *Jobs) Stop(ctx context.Context) error {
	defer j.pool.Close()
	if err := j.client.Stop(ctx); err != nil && !errors.Is(err, context.Canceled) {
		return fmt.Errorf("stop jobs: %w", err)
	}
	return nil
}

// periodicArgs is the job that carries one turn of periodic work.
type periodicArgs struct {
	Name string `json:"name"`
}

// Kind names the job in the queue.
func (periodicArgs) Kind() string { return "periodic" }

// unfinished are the states in which a turn still waits or runs. Finished ones
// must not count, or the next turn would be skipped.
var unfinished = []rivertype.JobState{rivertype.JobStateAvailable, rivertype.JobStatePending,
	rivertype.JobStateRunning, rivertype.JobStateScheduled, rivertype.JobStateRetryable}

func (p Periodic) job() *river.PeriodicJob {
	// The schedule lives in the leader's memory, so work less frequent than
	// restarts would never run without the run at start.
	return river.NewPeriodicJob(river.PeriodicInterval(p.Every), func() (river.JobArgs, *river.InsertOpts) {
		return periodicArgs{Name: p.Name}, &river.InsertOpts{
			Queue: periodicQueue, MaxAttempts: 1,
			UniqueOpts: river.UniqueOpts{ByArgs: true, ByState: unfinished},
		}
	}, &river.PeriodicJobOpts{ID: p.Name, RunOnStart: true})
}

// periodicWorker runs what a turn names.
type periodicWorker struct {
	river.WorkerDefaults[periodicArgs]
	runs map[string]Periodic
}

func (w *periodicWorker) add(p Periodic) error {
	if _, taken := w.runs[p.Name]; taken {
		return fmt.Errorf("periodic work %q is given twice", p.Name)
	}
	if p.Name == "" || p.Run == nil || p.Every <= 0 {
		return fmt.Errorf("periodic work %q: want a name, a period and something to run", p.Name)
	}
	w.runs[p.Name] = p
	return nil
}

// Timeout is that of the work which the job names.
func (w *periodicWorker) Timeout(job *river.Job[periodicArgs]) time.Duration {
	return w.runs[job.Args.Name].Timeout
}

// Work does one turn.
func (w *periodicWorker) Work(ctx context.Context, job *river.Job[periodicArgs]) error {
	p, known := w.runs[job.Args.Name]
	if !known { // of another release that runs beside this one
		return river.JobSnooze(time.Minute)
	}
	if err := p.Run(ctx); err != nil {
		return fmt.Errorf("periodic work %s: %w", p.Name, err)
	}
	return nil
}
