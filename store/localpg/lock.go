package localpg

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// ErrInUse says that another process runs the cluster of the data folder.
var ErrInUse = errors.New("data folder is in use")

// holderKind is who holds the data folder.
type holderKind string

const (
	holderService holderKind = "service"
	holderCommand holderKind = "command" // gone in a moment
)

// commandPatience is how long a start waits for a short command to finish.
const commandPatience = 20 * time.Second

// takeLock takes the advisory lock of a data folder for this process. The kernel
// frees it when the process dies, however that happens, and children do not
// inherit it.
func takeLock(ctx context.Context, path string, kind holderKind) (*os.File, error) {
	ctx, cancel := context.WithTimeout(ctx, commandPatience)
	defer cancel()
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("private Postgres: opening its lock file: %w", err)
	}
	for {
		err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
		if err == nil {
			return f, writeHolder(f, kind)
		}
		if !errors.Is(err, unix.EWOULDBLOCK) {
			return nil, errors.Join(fmt.Errorf("private Postgres: locking %s: %w", path, err), f.Close())
		}
		pid, holder := readHolder(path)
		if holder == holderService || !pause(ctx, 20*time.Millisecond) {
			return nil, errors.Join(inUse(path, pid, holder), f.Close())
		}
	}
}

func inUse(path, pid string, holder holderKind) error {
	return fmt.Errorf("private Postgres: %w: another Underkeep %s (process %s) holds %s; "+
		"stop it first, or give this one a data folder of its own with UNDERKEEP_DATA", ErrInUse, holder, pid, path)
}

func writeHolder(f *os.File, kind holderKind) error {
	text := fmt.Sprintf("%d %s\n", os.Getpid(), kind)
	if err := f.Truncate(0); err != nil {
		return fmt.Errorf("private Postgres: writing lock file %s: %w", f.Name(), err)
	}
	if _, err := f.WriteAt([]byte(text), 0); err != nil {
		return fmt.Errorf("private Postgres: writing lock file %s: %w", f.Name(), err)
	}
	return nil
}

// readHolder tells what the holder wrote; a holder that has not written yet counts
// as a command, so that it is waited for.
func readHolder(path string) (pid string, kind holderKind) {
	text, err := os.ReadFile(path)
	if err != nil {
		return "unknown", holderCommand
	}
	fields := strings.Fields(string(text))
	if len(fields) != 2 {
		return "unknown", holderCommand
	}
	return fields[0], holderKind(fields[1])
}

// pause waits and tells whether there is time left.
func pause(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
		return true
	}
}
