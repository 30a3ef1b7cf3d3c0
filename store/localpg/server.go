package localpg

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
)

// server is one life of the postgres process.
type server struct {
	cmd    *exec.Cmd
	log    *serverLog
	opened *os.File      // the cluster folder, where it is handed over open
	exited chan struct{} // closed once the process is gone
	err    error         // how it ended; valid after exited
}

// launch starts the process. The caller's goroutine must stay locked to its thread
// until the process has ended: the parent-death signal follows the thread.
func (c *Cluster) launch(withTCP bool) (*server, error) {
	s := &server{log: newServerLog(c.log), exited: make(chan struct{})}
	s.cmd = exec.Command(c.bin.path("postgres"))
	s.cmd.SysProcAttr = &syscall.SysProcAttr{
		Setsid:    true, // a Ctrl-C in the terminal is for the service alone
		Pdeathsig: syscall.SIGINT,
	}
	s.cmd.Stderr = s.log
	s.cmd.WaitDelay = time.Second // backends of a killed server may hold the pipe
	folder, opened, err := c.account.runIn(s.cmd, c.pgdata())
	if err != nil {
		return nil, err
	}
	s.opened = opened
	s.cmd.Args = append(s.cmd.Args, c.args(folder, withTCP)...)
	if err := s.cmd.Start(); err != nil {
		opened.Close()
		return nil, fmt.Errorf("private Postgres: starting %s as user %s: %w", s.cmd.Path, c.account.name, err)
	}
	go func() {
		s.err = s.cmd.Wait()
		s.opened.Close()
		close(s.exited)
	}()
	return s, nil
}

// awaitReady returns once the server answers a query, however long its crash
// recovery takes, or with what it said when it ended instead.
func (c *Cluster) awaitReady(ctx context.Context, s *server) error {
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	patience := time.NewTicker(15 * time.Second)
	defer patience.Stop()
	for {
		err := c.answers(ctx)
		if err == nil {
			return nil
		}
		select {
		case <-s.exited:
			return &exitError{during: "starting", err: s.err, said: s.log.tail()}
		case <-ctx.Done():
			return fmt.Errorf("private Postgres: waiting until it is ready: %w (last answer: %w)", ctx.Err(), err)
		case <-patience.C:
			c.log.Warn("the private Postgres is not ready yet", "answer", err, "said", s.log.tail())
		case <-tick.C:
		}
	}
}

// answers tells whether the server takes a log-in and runs a statement.
func (c *Cluster) answers(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	conn, err := pgx.Connect(ctx, c.SuperuserURL(superuser))
	if err != nil {
		return fmt.Errorf("logging in: %w", err)
	}
	_, err = conn.Exec(ctx, "SELECT 1")
	return errors.Join(err, conn.Close(ctx))
}

// end stops the process: a fast shutdown first, an immediate one when that takes
// too long (the next start then recovers from the log).
func (s *server) end(fast time.Duration) {
	for _, step := range []struct {
		signal syscall.Signal
		wait   time.Duration
	}{{syscall.SIGINT, fast}, {syscall.SIGQUIT, 10 * time.Second}, {syscall.SIGKILL, 10 * time.Second}} {
		s.cmd.Process.Signal(step.signal) // an ended process is what we want
		select {
		case <-s.exited:
			return
		case <-time.After(step.wait):
		}
	}
}

// exitError is a server that ended by itself.
type exitError struct {
	during string
	err    error
	said   string
}

func (e *exitError) Error() string {
	how := "exit status 0"
	if e.err != nil {
		how = e.err.Error()
	}
	return fmt.Sprintf("private Postgres: the server ended while %s: %s: %s", e.during, how, e.said)
}

func (e *exitError) Unwrap() error { return e.err }

// portTaken tells whether another program has the port.
func (e *exitError) portTaken() bool {
	return strings.Contains(e.said, "Address already in use") || strings.Contains(e.said, "could not create any TCP/IP sockets")
}

// predecessorLingers tells whether processes of a killed server are still ending.
func (e *exitError) predecessorLingers() bool {
	return strings.Contains(e.said, "pre-existing shared memory block") ||
		strings.Contains(e.said, "Is another postmaster")
}
