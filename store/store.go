package store

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"strconv"
	"sync/atomic"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// Options of a Store; the zero value is fit for one machine.
type Options struct {
	// Pools are separate so that a flood of messages cannot starve the pages,
	// nor the pages the messages. Defaults: 4, 4, 8.
	IngestConns, EvaluationConns, APIConns int
	// Instance names this process where several share the database; default
	// host name and process id are the caller's to give.
	Instance string
	// InEvaluation, if not nil, is called in the transaction that writes changes
	// of alarms, so that what follows from them (a message to somebody) exists
	// exactly when they do. Its error undoes the evaluation.
	InEvaluation func(ctx context.Context, tx pgx.Tx, changes []AlarmChange) error
	// InRegion, if not nil, is called in the transaction that writes changes of
	// regional events: opened, grown, ended, merged, dissolved. Its error undoes
	// them, and they are found again.
	InRegion func(ctx context.Context, tx pgx.Tx, changes []RegionalChange) error
	// Log receives what goes on behind the scenes; default slog.Default().
	Log *slog.Logger
}

func (o *Options) setDefaults() {
	if o.IngestConns == 0 {
		o.IngestConns = 4
	}
	if o.EvaluationConns == 0 {
		o.EvaluationConns = 4
	}
	if o.APIConns == 0 {
		o.APIConns = 8
	}
	if o.Instance == "" {
		o.Instance = "underkeep"
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
}

// Store is the database of one service process. All methods may be called
// from several goroutines.
type Store struct {
	url  string
	opts Options
	log  *slog.Logger

	ingest, evaluation, api *pgxpool.Pool

	registry   atomic.Pointer[Registry]
	refresh    refresher
	partitions partitions
	recorder   recorder
	evaluator  evaluator
	inserter   *jobClient // puts jobs into transactions
	regional   regionalKept

	stop func()        // ends the background goroutine
	done chan struct{} // closed when it has ended
}

// Open connects to the database at url, loads the registry if the schema is
// there already, and follows its changes until Close. Call Migrate before
// anything else on a new database.
func Open(ctx context.Context, url string, opts Options) (*Store, error) {
	opts.setDefaults()
	s := &Store{url: url, opts: opts, log: opts.Log, done: make(chan struct{})}
	s.registry.Store(emptyRegistry())
	s.evaluator.nudge = make(chan struct{}, 1)
	if err := s.newJobInserter(); err != nil {
		return nil, err
	}
	if err := s.openPools(ctx); err != nil {
		s.closePools()
		return nil, err
	}
	if err := s.Ping(ctx); err != nil {
		s.closePools()
		return nil, err
	}
	if err := s.RefreshRegistry(ctx); err != nil && !isCode(err, codeUndefinedTable) {
		s.closePools()
		return nil, err
	}
	bctx, cancel := context.WithCancel(context.WithoutCancel(ctx))
	s.stop = cancel
	go func() {
		defer close(s.done)
		s.followRegistry(bctx)
	}()
	return s, nil
}

// Close ends background work and closes all connections.
func (s *Store) Close() {
	s.stop()
	<-s.done
	s.closePools()
}

func (s *Store) openPools(ctx context.Context) (err error) {
	// The ingest transaction gates the acknowledgement of messages: it may wait
	// for a slow disk, the pages may not.
	if s.ingest, err = openPool(ctx, s.url, "ingest", s.opts.IngestConns, 30*time.Second); err != nil {
		return err
	}
	if s.evaluation, err = openPool(ctx, s.url, "evaluation", s.opts.EvaluationConns, 2*time.Minute); err != nil {
		return err
	}
	s.api, err = openPool(ctx, s.url, "api", s.opts.APIConns, 15*time.Second)
	return err
}

func (s *Store) closePools() {
	for _, p := range []*pgxpool.Pool{s.ingest, s.evaluation, s.api} {
		if p != nil {
			p.Close()
		}
	}
}

// Ping asks the database for a sign of life.
func (s *Store) Ping(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	if err := s.api.Ping(ctx); err != nil {
		return fmt.Errorf("reach the database: %w", err)
	}
	return nil
}

// poolConfig gives every session UTC (partition bounds and day arithmetic must
// not depend on the machine), durable commits (they gate acknowledgements) and
// timeouts on both ends of the connection.
func poolConfig(url, name string, conns int, statement time.Duration) (*pgxpool.Config, error) {
	c, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, fmt.Errorf("database address: %w", err)
	}
	c.MaxConns = int32(conns)
	c.MaxConnLifetime = 30 * time.Minute
	c.MaxConnLifetimeJitter = 5 * time.Minute
	c.PingTimeout = 2 * time.Second
	if c.ConnConfig.ConnectTimeout == 0 {
		c.ConnConfig.ConnectTimeout = 5 * time.Second
	}
	c.ConnConfig.DialFunc = (&net.Dialer{KeepAlive: 15 * time.Second}).DialContext
	p := c.ConnConfig.RuntimeParams
	p["application_name"] = "underkeep " + name
	p["timezone"] = "UTC"
	p["synchronous_commit"] = "on"
	p["statement_timeout"] = strconv.FormatInt(statement.Milliseconds(), 10)
	p["idle_in_transaction_session_timeout"] = strconv.FormatInt(2*statement.Milliseconds(), 10)
	return c, nil
}

func openPool(ctx context.Context, url, name string, conns int, statement time.Duration) (*pgxpool.Pool, error) {
	c, err := poolConfig(url, name, conns, statement)
	if err != nil {
		return nil, err
	}
	pool, err := pgxpool.NewWithConfig(ctx, c)
	if err != nil {
		return nil, fmt.Errorf("open %s pool: %w", name, err)
	}
	return pool, nil
}
