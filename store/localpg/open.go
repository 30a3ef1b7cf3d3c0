package localpg

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
)

// Open is for short commands, which work whether or not a service runs: it gives
// the cluster that another process runs on the folder, or starts it for as long as
// the command takes. Stop ends only what Open started.
func Open(ctx context.Context, opts Options) (*Cluster, error) {
	for {
		c, err := start(ctx, opts, holderCommand)
		if !errors.Is(err, ErrInUse) {
			return c, err
		}
		c, errAttach := attach(ctx, opts)
		if errAttach == nil {
			return c, nil
		}
		// The holder may be starting, or may have gone just now.
		if !pause(ctx, 50*time.Millisecond) {
			return nil, fmt.Errorf("private Postgres: reaching the running service: %w", errAttach)
		}
		if errors.Is(errAttach, os.ErrPermission) {
			return nil, errAttach
		}
	}
}

// attach connects to the server that another process runs.
func attach(ctx context.Context, opts Options) (*Cluster, error) {
	c, err := newCluster(opts)
	if err != nil {
		return nil, err
	}
	c.attached = true
	if c.secrets, err = readSecrets(c.secretsPath()); err != nil {
		return nil, asOtherUser(err)
	}
	running, err := runningEndpoint(c.pgdata())
	if err != nil {
		return nil, asOtherUser(err)
	}
	// The socket may be out of sight (a /tmp of the service's own); the loopback
	// port is not.
	for _, e := range []endpoint{running, {port: running.port}} {
		c.endpoint = e
		var conn *pgx.Conn
		if conn, err = pgx.Connect(ctx, c.URL()); err == nil {
			return c, conn.Close(ctx)
		}
	}
	return nil, fmt.Errorf("private Postgres: connecting to the running server: %w", err)
}

func asOtherUser(err error) error {
	if errors.Is(err, os.ErrPermission) {
		return fmt.Errorf("%w (run the command as the user who runs the service, or as root)", err)
	}
	return err
}

// runningEndpoint reads where a server listens from its pid file: line 4 is the
// port, line 5 the socket folder, line 8 the state.
func runningEndpoint(pgdata string) (endpoint, error) {
	text, err := os.ReadFile(filepath.Join(pgdata, "postmaster.pid"))
	if err != nil {
		return endpoint{}, fmt.Errorf("private Postgres: reading where the server listens: %w", err)
	}
	lines := strings.Split(string(text), "\n")
	if len(lines) < 8 || strings.TrimSpace(lines[7]) != "ready" {
		return endpoint{}, errors.New("private Postgres: the server is not ready")
	}
	port, err := strconv.Atoi(lines[3])
	if err != nil {
		return endpoint{}, fmt.Errorf("private Postgres: port in postmaster.pid: %w", err)
	}
	return endpoint{socketDir: lines[4], port: port}, nil
}
