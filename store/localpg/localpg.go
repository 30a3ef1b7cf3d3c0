// Package localpg runs a private Postgres for a single machine: one cluster
// under a data folder, made and driven with the initdb and postgres programs of
// the machine.
//
// # Life and death
//
// The server is a child of the service and stops with it. When the service is
// killed, the kernel asks the server for a fast shutdown (the parent-death
// signal); a database nobody serves from is of no use, and what was committed is
// on disk. The next Start waits for that shutdown, or, should a server of the
// same folder still run, proves that it is one, stops it in order and starts its
// own: so every server is supervised, logged and configured by the service that
// uses it. When the server is killed it is started again, for as long as the
// service lives.
//
// # Users
//
// Postgres refuses to run as root. A service run by root gives the cluster to the
// user who already owns it, else to "postgres", else to "nobody". The data folder
// may lie below a folder which that user cannot enter, such as /root: the server
// then gets its folder as an open file.
package localpg

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"sync/atomic"
	"time"
)

// Names inside the cluster.
const (
	superuser   = "postgres"
	serviceRole = "underkeep" // owns the database, no superuser
	database    = "underkeep"
)

// Options of a cluster.
type Options struct {
	// DataDir is the folder that holds the cluster, its password file and its
	// lock. It is made when missing and belongs to this package alone.
	DataDir string
	// Logger gets what happens to the server and what the server prints; nil
	// discards it.
	Logger *slog.Logger
	// Settings are further server settings. The ones that durability, privacy
	// and this package rest on cannot be changed by them.
	Settings map[string]string
	// Throwaway gives up durability for speed, for tests. A cluster is made
	// throw-away or durable once and for all.
	Throwaway bool
	// BinDirs are the folders with initdb and postgres; empty: those of PATH and
	// /usr/lib/postgresql/*/bin.
	BinDirs []string
}

// Cluster is a running private Postgres.
type Cluster struct {
	opts     Options
	log      *slog.Logger
	dir      string // absolute Options.DataDir
	bin      binaries
	account  account
	secrets  secrets
	lock     *os.File
	endpoint endpoint
	attached bool // run by another process

	server   atomic.Pointer[server]
	restarts atomic.Int64
	stopping chan struct{}
	done     chan struct{}
}

// endpoint is where a server listens.
type endpoint struct {
	socketDir string
	port      int
}

// Start makes the cluster if the folder has none and starts its server. The
// context bounds the start only. It fails when another service uses the folder
// ([ErrInUse]), when no Postgres is found ([ErrNoBinaries]) and when the cluster
// is of a major version of which no programs are found ([ErrVersion]); an existing
// cluster is never made anew.
func Start(ctx context.Context, opts Options) (*Cluster, error) {
	return start(ctx, opts, holderService)
}

func start(ctx context.Context, opts Options, kind holderKind) (*Cluster, error) {
	c, err := newCluster(opts)
	if err != nil {
		return nil, err
	}
	if c.lock, err = takeLock(ctx, c.lockPath(), kind); err != nil {
		return nil, err
	}
	if err := c.prepare(ctx); err != nil {
		return nil, errors.Join(err, c.lock.Close())
	}
	ready := make(chan error, 1)
	go c.supervise(ctx, ready)
	if err := <-ready; err != nil {
		<-c.done
		return nil, errors.Join(err, c.release())
	}
	if err := c.ensureDatabase(ctx); err != nil {
		return nil, errors.Join(err, c.Stop())
	}
	return c, nil
}

func newCluster(opts Options) (*Cluster, error) {
	if opts.DataDir == "" {
		return nil, errors.New("private Postgres: no data folder given")
	}
	dir, err := filepath.Abs(opts.DataDir)
	if err != nil {
		return nil, fmt.Errorf("private Postgres: data folder %q: %w", opts.DataDir, err)
	}
	// Others may pass through but not look: the cluster inside is 0700.
	if err := os.MkdirAll(dir, 0o711); err != nil {
		return nil, fmt.Errorf("private Postgres: making its data folder: %w", err)
	}
	log := opts.Logger
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	return &Cluster{opts: opts, log: log, dir: dir, stopping: make(chan struct{}), done: make(chan struct{})}, nil
}

// prepare does all that comes before the first server: programs, user, cluster,
// left-overs of an earlier life, place to listen.
func (c *Cluster) prepare(ctx context.Context) error {
	found, err := findBinaries(ctx, c.opts.BinDirs)
	if err != nil {
		return err
	}
	if c.account, err = accountFor(c.pgdata()); err != nil {
		return err
	}
	if c.bin, err = chooseBinaries(found, c.pgdata()); err != nil {
		return err
	}
	if err := c.ensureCluster(ctx); err != nil {
		return err
	}
	if err := c.endPreviousServer(ctx); err != nil {
		return err
	}
	c.endpoint.socketDir, err = c.makeSocketDir()
	return err
}

// URL gives the connection string of the service's database, for pgx and for the
// Postgres tools alike. It stays the same while the cluster runs.
func (c *Cluster) URL() string { return c.url(serviceRole, c.secrets.service, database) }

// DatabaseURL gives the connection string of the service's role to another database
// of the cluster, for tests.
func (c *Cluster) DatabaseURL(name string) string {
	return c.url(serviceRole, c.secrets.service, name)
}

// SuperuserURL gives the connection string of the superuser to a database of the
// cluster, for tests and repair.
func (c *Cluster) SuperuserURL(name string) string {
	return c.url(superuser, c.secrets.superuser, name)
}

func (c *Cluster) url(user, password, database string) string {
	return c.endpoint.url(user, password, database)
}

func (e endpoint) url(user, password, database string) string {
	u := url.URL{Scheme: "postgres", User: url.UserPassword(user, password), Path: "/" + database}
	q := url.Values{"sslmode": {"disable"}} // socket or loopback only
	if e.socketDir != "" {
		q.Set("host", e.socketDir)
		q.Set("port", strconv.Itoa(e.port))
	} else {
		u.Host = net.JoinHostPort("127.0.0.1", strconv.Itoa(e.port))
	}
	u.RawQuery = q.Encode()
	return u.String()
}

// PID is the process id of the running server, 0 while there is none.
func (c *Cluster) PID() int {
	if s := c.server.Load(); s != nil {
		return s.cmd.Process.Pid
	}
	return 0
}

// Restarts counts how often the server died and was started again.
func (c *Cluster) Restarts() int { return int(c.restarts.Load()) }

// stopTimeout is how long a fast shutdown may take before it is cut short.
const stopTimeout = time.Minute

// Stop ends the server in order (open transactions are rolled back, all else is
// on disk) and frees the data folder. Close the pools first. On a cluster that
// another process runs it does nothing.
func (c *Cluster) Stop() error {
	if c.attached {
		return nil
	}
	select {
	case <-c.stopping:
		return nil
	default:
		close(c.stopping)
	}
	<-c.done
	return c.release()
}

func (c *Cluster) release() error {
	c.removeSocketDir(c.endpoint.socketDir)
	if err := c.lock.Close(); err != nil && !errors.Is(err, os.ErrClosed) {
		return fmt.Errorf("freeing data folder %s: %w", c.dir, err)
	}
	return nil
}

func (c *Cluster) pgdata() string   { return filepath.Join(c.dir, "cluster") }
func (c *Cluster) lockPath() string { return filepath.Join(c.dir, "service.lock") }

var _ io.Writer = (*serverLog)(nil)
