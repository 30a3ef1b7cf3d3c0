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
	// DeliveryConns are for the notes about what was handed over to a mail server:
	// they never wait for an evaluation.
	DeliveryConns int
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
	// SealDelay is how long after the end of a local day it is sealed, and what
	// was received until then is proof; default DefaultSealDelay.
	SealDelay time.Duration
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
	if o.DeliveryConns == 0 {
		o.DeliveryConns = 4
	}
	if o.Instance == "" {
		o.Instance = "underkeep"
	}
	if o.SealDelay == 0 {
		o.SealDelay = DefaultSealDelay
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

	ingest, evaluation *pgxpool.Pool
	sealing            *pgxpool.Pool
	// deliveries is for claims and for the note that something was handed over:
	// until that is committed, a crash makes it go out twice.
	deliveries *pgxpool.Pool
	api        *scopedPool
	// owner of the tables, for what changes the schema; opened when needed
	owner *pgxpool.Pool

	registry   atomic.Pointer[Registry]
	refresh    refresher
	partitions partitions
	recorder   recorder
	rawRows    rawRows
	evaluator  evaluator
	inserter   *jobClient // puts jobs into transactions
	regional   regionalKept

	// sealFault lets tests have a step of sealing fail, before or after it was
	// applied; nil otherwise.
	sealFault func(step string, applied bool) error

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
	s.refresh.changed = make(chan struct{}, 1)
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
	if s.ingest, err = s.openPool(ctx, pool{"ingest", roleIngest, s.opts.IngestConns, 30 * time.Second, scopeAll}); err != nil {
		return err
	}
	if s.evaluation, err = s.openPool(ctx, pool{"evaluation", roleJobs, s.opts.EvaluationConns, 2 * time.Minute, scopeAll}); err != nil {
		return err
	}
	if s.sealing, err = s.openPool(ctx, pool{"sealing", roleJobs, sealConns, 2 * time.Minute, scopeAll}); err != nil {
		return err
	}
	if s.deliveries, err = s.openPool(ctx, pool{"deliveries", roleJobs, s.opts.DeliveryConns, 30 * time.Second, scopeAll}); err != nil {
		return err
	}
	if s.owner, err = s.openPool(ctx, pool{"schema", "", 2, 15 * time.Second, scopeAll}); err != nil {
		return err
	}
	api, err := s.openPool(ctx, pool{"api", roleAPI, s.opts.APIConns, 15 * time.Second, ""})
	s.api = &scopedPool{pool: api, number: s.numberOf}
	return err
}

// numberOf a property in the database, by the registry.
func (s *Store) numberOf(property string) (int32, bool) {
	p, ok := s.Registry().Property(property)
	if !ok {
		return 0, false
	}
	return p.Num, true
}

func (s *Store) pools() []*pgxpool.Pool {
	out := []*pgxpool.Pool{s.ingest, s.evaluation, s.sealing, s.deliveries, s.owner}
	if s.api != nil {
		out = append(out, s.api.pool)
	}
	return out
}

func (s *Store) closePools() {
	for _, p := range s.pools() {
		if p != nil {
			p.Close()
		}
	}
}

// Ping asks the database for a sign of life.
func (s *Store) Ping(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	if err := s.api.pool.Ping(ctx); err != nil {
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

// pool is one set of connections.
type pool struct {
	name      string
	role      string // taken on by each connection; "": none
	conns     int
	statement time.Duration
	scope     string // of row-level security; "": set by each transaction
}

func (s *Store) openPool(ctx context.Context, p pool) (*pgxpool.Pool, error) {
	c, err := poolConfig(s.url, p.name, p.conns, p.statement)
	if err != nil {
		return nil, err
	}
	if p.scope != "" {
		c.ConnConfig.RuntimeParams[scopeSetting] = p.scope
	}
	if p.role != "" {
		c.AfterConnect = func(ctx context.Context, conn *pgx.Conn) error {
			_, err := takeRole(ctx, conn, p.role)
			if err == nil && p.role == roleIngest {
				err = s.recorder.askCopy(ctx, conn)
			}
			return err
		}
	}
	pool, err := pgxpool.NewWithConfig(ctx, c)
	if err != nil {
		return nil, fmt.Errorf("open %s pool: %w", p.name, err)
	}
	return pool, nil
}
