package localpg

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// endPreviousServer deals with what an earlier life left: a server that still runs
// (its service was killed) is stopped in order; a postmaster.pid whose number now
// belongs to some other program, at which Postgres would refuse to start, is moved
// aside. Nothing is signalled on the word of a number alone.
func (c *Cluster) endPreviousServer(ctx context.Context) error {
	pid, err := readPostmasterPID(c.pgdata())
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case errors.Is(err, errTorn):
		return c.moveStalePIDFile(0)
	case err != nil:
		return err
	}
	fd, err := unix.PidfdOpen(pid, 0)
	if errors.Is(err, unix.ESRCH) || errors.Is(err, unix.EINVAL) {
		return nil // gone; Postgres sees that itself
	}
	if err != nil {
		return fmt.Errorf("private Postgres: looking at process %d of an earlier server: %w", pid, err)
	}
	defer unix.Close(fd)
	ours, err := c.isOurServer(pid)
	switch {
	case err != nil:
		return fmt.Errorf("private Postgres: cannot tell whether process %d, named by %s/postmaster.pid, "+
			"is a server of this folder: %w", pid, c.pgdata(), err)
	case !ours:
		return c.moveStalePIDFile(pid)
	}
	c.log.Warn("a server of an earlier service still runs; stopping it in order", "pid", pid)
	return endByPidfd(ctx, fd, pid)
}

// isOurServer proves by the kernel's word that a process is a Postgres which works
// in this cluster's folder.
func (c *Cluster) isOurServer(pid int) (bool, error) {
	proc := "/proc/" + strconv.Itoa(pid)
	exe, err := os.Readlink(proc + "/exe")
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ESRCH) {
		return false, nil // ended meanwhile
	}
	if errors.Is(err, fs.ErrPermission) {
		return false, nil // another user's; the cluster's owner is us
	}
	if err != nil {
		return false, fmt.Errorf("reading its program: %w", err)
	}
	if filepath.Base(strings.TrimSuffix(exe, " (deleted)")) != "postgres" {
		return false, nil
	}
	there, err := os.Stat(proc + "/cwd")
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ESRCH) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("reading its folder: %w", err)
	}
	here, err := os.Stat(c.pgdata())
	if err != nil {
		return false, fmt.Errorf("looking at the cluster: %w", err)
	}
	return os.SameFile(here, there), nil
}

// moveStalePIDFile takes a pid file out of the way after making sure that no
// process at all works in the cluster.
func (c *Cluster) moveStalePIDFile(pid int) error {
	if busy := c.serverProcesses(); len(busy) > 0 {
		return fmt.Errorf("private Postgres: processes %v work in %s although its postmaster.pid names %d; stop them first",
			busy, c.pgdata(), pid)
	}
	path := filepath.Join(c.pgdata(), "postmaster.pid")
	c.log.Warn("moving a stale postmaster.pid aside; no server of this folder runs", "pid", pid)
	if err := os.Rename(path, filepath.Join(c.dir, "postmaster.pid.stale")); err != nil {
		return fmt.Errorf("private Postgres: moving its stale pid file aside: %w", err)
	}
	return nil
}

// serverProcesses lists all processes that work in the cluster.
func (c *Cluster) serverProcesses() []int {
	dirs, _ := filepath.Glob("/proc/[0-9]*") // the pattern is well formed
	var found []int
	for _, dir := range dirs {
		pid, err := strconv.Atoi(filepath.Base(dir))
		if err != nil {
			continue
		}
		if ours, err := c.isOurServer(pid); err == nil && ours {
			found = append(found, pid)
		}
	}
	return found
}

// endStragglers ends the processes of a server that was killed: a new server cannot
// start beside them, and a long statement would keep one for as long as it takes.
// Called only while this service holds the folder and has no server.
func (c *Cluster) endStragglers() {
	for _, pid := range c.serverProcesses() {
		fd, err := unix.PidfdOpen(pid, 0)
		if err != nil {
			continue // gone
		}
		// Checked again, now that the number cannot pass to another process.
		if ours, err := c.isOurServer(pid); err == nil && ours {
			c.log.Info("ending a process that outlived its server", "pid", pid)
			unix.PidfdSendSignal(fd, unix.SIGQUIT, nil, 0) // gone is what we want
		}
		unix.Close(fd)
	}
}

// errTorn is a pid file that a crash of the machine left without a number.
var errTorn = errors.New("no process number")

// readPostmasterPID reads the first line of postmaster.pid.
func readPostmasterPID(pgdata string) (int, error) {
	text, err := os.ReadFile(filepath.Join(pgdata, "postmaster.pid"))
	if err != nil {
		return 0, fmt.Errorf("private Postgres: reading its pid file: %w", err)
	}
	first, _, _ := strings.Cut(string(text), "\n")
	pid, err := strconv.Atoi(strings.TrimSpace(first))
	if err != nil || pid <= 0 {
		return 0, fmt.Errorf("private Postgres: %s/postmaster.pid begins with %q: %w", pgdata, first, errTorn)
	}
	return pid, nil
}

// endByPidfd stops a server that is not our child: in order, then at once.
func endByPidfd(ctx context.Context, fd, pid int) error {
	for _, step := range []struct {
		signal unix.Signal
		wait   time.Duration
	}{{unix.SIGINT, stopTimeout}, {unix.SIGQUIT, 10 * time.Second}} {
		if err := unix.PidfdSendSignal(fd, step.signal, nil, 0); err != nil && !errors.Is(err, unix.ESRCH) {
			return fmt.Errorf("private Postgres: stopping process %d of an earlier service: %w", pid, err)
		}
		if ended, err := awaitPidfd(ctx, fd, step.wait); err != nil || ended {
			return err
		}
	}
	return fmt.Errorf("private Postgres: the server of an earlier service, process %d, does not end", pid)
}

// awaitPidfd waits until the process has ended: its descriptor is readable then.
func awaitPidfd(ctx context.Context, fd int, wait time.Duration) (ended bool, err error) {
	for deadline := time.Now().Add(wait); time.Now().Before(deadline); {
		if err := ctx.Err(); err != nil {
			return false, fmt.Errorf("private Postgres: waiting for the server of an earlier service: %w", err)
		}
		n, err := unix.Poll([]unix.PollFd{{Fd: int32(fd), Events: unix.POLLIN}}, 100)
		if err != nil && !errors.Is(err, unix.EINTR) {
			return false, fmt.Errorf("private Postgres: waiting for the server of an earlier service: %w", err)
		}
		if n > 0 {
			return true, nil
		}
	}
	return false, nil
}
