// Package pgtest gives tests a real Postgres: one throw-away cluster per test
// binary, and a fresh database for each test.
package pgtest

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strconv"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/localpg"
)

// startTimeout bounds making a cluster, on a machine busy with other tests.
const startTimeout = 3 * time.Minute

// Migrate brings the database at a connection string to its schema. It closes its
// connections before it returns.
type Migrate = func(ctx context.Context, url string) error

// New makes a fresh, empty database and returns its connection string, as the
// service's own role would use it. The database is dropped when the test ends.
//
// With a migrate function the database is a copy of one that was migrated once. The
// function must be declared at top level: it is told from others by its code.
func New(tb testing.TB, migrate ...Migrate) string {
	tb.Helper()
	s := sharedCluster(tb)
	template := "template0"
	if len(migrate) > 0 {
		template = s.template(tb, migrate[0])
	}
	name := fmt.Sprintf("test_%d", s.databases.Add(1))
	s.mustExec(tb, fmt.Sprintf("CREATE DATABASE %s TEMPLATE %s OWNER underkeep", name, template))
	tb.Cleanup(func() { s.mustExec(tb, fmt.Sprintf("DROP DATABASE %s WITH (FORCE)", name)) })
	return s.cluster.DatabaseURL(name)
}

// Durable starts a cluster of the test's own with the settings of a real one, for
// benchmarks and crash tests. It stops when the test ends.
func Durable(tb testing.TB) *localpg.Cluster {
	tb.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), startTimeout)
	defer cancel()
	c, err := localpg.Start(ctx, localpg.Options{DataDir: filepath.Join(tb.TempDir(), "postgres"), Logger: logger()})
	if err != nil {
		tb.Fatalf("starting a durable Postgres: %v", err)
	}
	tb.Cleanup(func() {
		if err := c.Stop(); err != nil {
			tb.Errorf("stopping the durable Postgres: %v", err)
		}
	})
	return c
}

// shared is the cluster of this test binary.
type shared struct {
	cluster   *localpg.Cluster
	databases atomic.Int64
	exit      io.Closer // see removeAtExit

	mu        sync.Mutex
	templates map[uintptr]func() (string, error)
}

var startShared = sync.OnceValues(func() (*shared, error) {
	ctx, cancel := context.WithTimeout(context.Background(), startTimeout)
	defer cancel()
	dir, err := os.MkdirTemp("", "underkeep-test-")
	if err != nil {
		return nil, fmt.Errorf("folder for the test cluster: %w", err)
	}
	if err := os.Chmod(dir, 0o711); err != nil { // the server may run as another user
		return nil, fmt.Errorf("folder for the test cluster: %w", err)
	}
	c, err := localpg.Start(ctx, localpg.Options{DataDir: dir, Throwaway: true, Logger: logger()})
	if err != nil {
		return nil, fmt.Errorf("starting the test cluster: %w", err)
	}
	s := &shared{cluster: c, templates: map[uintptr]func() (string, error){}}
	s.exit, err = removeAtExit(dir, c.PID())
	return s, err
})

func sharedCluster(tb testing.TB) *shared {
	tb.Helper()
	s, err := startShared()
	if err != nil {
		tb.Fatal(err)
	}
	return s
}

// template migrates a database once per migrate function and returns its name.
func (s *shared) template(tb testing.TB, migrate Migrate) string {
	tb.Helper()
	key := reflect.ValueOf(migrate).Pointer()
	s.mu.Lock()
	once, ok := s.templates[key]
	if !ok {
		name := fmt.Sprintf("template_%d", len(s.templates))
		once = sync.OnceValues(func() (string, error) { return name, s.makeTemplate(name, migrate) })
		s.templates[key] = once
	}
	s.mu.Unlock()
	name, err := once()
	if err != nil {
		tb.Fatalf("migrating a template database: %v", err)
	}
	return name
}

func (s *shared) makeTemplate(name string, migrate Migrate) error {
	ctx, cancel := context.WithTimeout(context.Background(), startTimeout)
	defer cancel()
	if err := s.exec(ctx, fmt.Sprintf("CREATE DATABASE %s TEMPLATE template0 OWNER underkeep", name)); err != nil {
		return err
	}
	if err := migrate(ctx, s.cluster.DatabaseURL(name)); err != nil {
		return err
	}
	// Nobody may be connected to a template while it is copied.
	return s.exec(ctx, fmt.Sprintf("ALTER DATABASE %s ALLOW_CONNECTIONS false", name),
		fmt.Sprintf("SELECT pg_terminate_backend(pid, 10000) FROM pg_stat_activity WHERE datname = '%s'", name))
}

func (s *shared) mustExec(tb testing.TB, statement string) {
	tb.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), startTimeout)
	defer cancel()
	if err := s.exec(ctx, statement); err != nil {
		tb.Errorf("test database: %v", err)
	}
}

func (s *shared) exec(ctx context.Context, statements ...string) error {
	conn, err := pgx.Connect(ctx, s.cluster.SuperuserURL("postgres"))
	if err != nil {
		return fmt.Errorf("connecting to the test cluster: %w", err)
	}
	defer conn.Close(ctx)
	for _, statement := range statements {
		if _, err := conn.Exec(ctx, statement); err != nil {
			return fmt.Errorf("%s: %w", statement, err)
		}
	}
	return nil
}

// removeAtExit leaves a shell behind that waits for the end of this process, however
// it ends, then for the end of the server, and removes the folder: a test binary
// has no other place for that. The pipe it waits at is closed by the kernel.
func removeAtExit(dir string, server int) (io.Closer, error) {
	script := `cat; while kill -0 "$1" 2>/dev/null; do sleep 0.1; done; rm -rf -- "$2"`
	cmd := exec.Command("/bin/sh", "-c", script, "sh", strconv.Itoa(server), dir)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true}
	pipe, err := cmd.StdinPipe()
	if err != nil {
		return nil, fmt.Errorf("pipe to the test cluster's remover: %w", err)
	}
	if err := cmd.Start(); err != nil {
		return nil, fmt.Errorf("starting the test cluster's remover: %w", err)
	}
	return pipe, nil
}

// logger shows what goes wrong with the server; failed statements are the tests'
// own business.
func logger() *slog.Logger {
	return slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelError}))
}
