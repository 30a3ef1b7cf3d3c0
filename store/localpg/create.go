package localpg

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"
)

// throwawayMark is a file beside the cluster that says it was made for tests.
const throwawayMark = "throwaway"

// ensureCluster makes the cluster when there is none and reads its secrets.
func (c *Cluster) ensureCluster(ctx context.Context) error {
	_, err := os.Stat(filepath.Join(c.pgdata(), "PG_VERSION"))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return c.createCluster(ctx)
	case err != nil:
		return fmt.Errorf("private Postgres: looking at its cluster: %w", err)
	}
	if _, err := os.Stat(filepath.Join(c.dir, throwawayMark)); (err == nil) != c.opts.Throwaway {
		return fmt.Errorf("private Postgres: %s: a throw-away cluster and a durable one cannot stand in for each other", c.dir)
	}
	c.secrets, err = readSecrets(c.secretsPath())
	if errors.Is(err, fs.ErrNotExist) {
		return c.replaceSecrets(ctx)
	}
	return err
}

// createCluster runs initdb in a folder of another name, and renames it once it is
// complete and on disk: a cluster is there entirely or not at all.
func (c *Cluster) createCluster(ctx context.Context) error {
	staging := filepath.Join(c.dir, "cluster.new")
	if err := os.RemoveAll(staging); err != nil {
		return fmt.Errorf("private Postgres: clearing an unfinished cluster: %w", err)
	}
	if err := os.Mkdir(staging, 0o700); err != nil {
		return fmt.Errorf("private Postgres: making its cluster: %w", err)
	}
	if err := c.account.own(staging); err != nil {
		return err
	}
	if c.opts.Throwaway {
		if err := os.WriteFile(filepath.Join(c.dir, throwawayMark), nil, 0o600); err != nil {
			return fmt.Errorf("private Postgres: marking a throw-away cluster: %w", err)
		}
	}
	c.secrets = newSecrets()
	if err := c.secrets.write(c.secretsPath()); err != nil {
		return err
	}
	c.log.Info("making a private Postgres", "folder", c.pgdata(), "version", c.bin.major, "user", c.account.name)
	if err := c.initdb(ctx, staging); err != nil {
		return err
	}
	if err := os.Rename(staging, c.pgdata()); err != nil {
		return fmt.Errorf("private Postgres: putting its cluster in place: %w", err)
	}
	return syncFolder(c.dir)
}

func (c *Cluster) initdb(ctx context.Context, folder string) error {
	pwfile, err := c.passwordForInitdb()
	if err != nil {
		return err
	}
	defer os.Remove(pwfile)
	args := []string{"--username=" + superuser, "--auth=scram-sha-256", "--pwfile=" + pwfile,
		"--locale=C.UTF-8", "--encoding=UTF8", "--data-checksums"}
	if c.opts.Throwaway {
		args = append(args, "--no-sync")
	}
	cmd := exec.CommandContext(ctx, c.bin.path("initdb"), args...)
	name, opened, err := c.account.runIn(cmd, folder)
	if err != nil {
		return err
	}
	defer opened.Close() // nil when the folder is reached by name
	cmd.Args = append(cmd.Args, "--pgdata="+name)
	// An initdb that outlives a killed service would write below the next one.
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	cmd.SysProcAttr.Pdeathsig = syscall.SIGTERM
	out, err := cmd.CombinedOutput()
	if err != nil {
		return fmt.Errorf("private Postgres: %s into %s as user %s: %w: %s",
			cmd.Path, folder, c.account.name, err, lastLines(string(out), 5))
	}
	return nil
}

// passwordForInitdb writes the superuser's password where the account can read it,
// for the moment that initdb takes.
func (c *Cluster) passwordForInitdb() (string, error) {
	f, err := os.CreateTemp(shortTempDir(), "underkeep-initdb-")
	if err != nil {
		return "", fmt.Errorf("private Postgres: password file for initdb: %w", err)
	}
	_, err = f.WriteString(c.secrets.superuser + "\n")
	if err := errors.Join(err, f.Close(), c.account.own(f.Name())); err != nil {
		return "", errors.Join(fmt.Errorf("private Postgres: password file for initdb: %w", err), os.Remove(f.Name()))
	}
	return f.Name(), nil
}

// replaceSecrets sets new passwords on a cluster whose password file is gone, in
// Postgres' single-user mode. The folder is locked by now, but a server left over
// from an earlier life must have ended first.
func (c *Cluster) replaceSecrets(ctx context.Context) error {
	c.log.Warn("the password file of the private Postgres is gone; setting new passwords", "file", c.secretsPath())
	if err := c.endPreviousServer(ctx); err != nil {
		return err
	}
	fresh := newSecrets()
	cmd := exec.CommandContext(ctx, c.bin.path("postgres"), "--single")
	name, opened, err := c.account.runIn(cmd, c.pgdata())
	if err != nil {
		return err
	}
	defer opened.Close()
	cmd.Args = append(cmd.Args, "-D", name, superuser)
	cmd.Stdin = strings.NewReader(fmt.Sprintf("ALTER ROLE %s PASSWORD '%s'\n", superuser, fresh.superuser))
	out, err := cmd.CombinedOutput()
	if err == nil && bytes.Contains(out, []byte("ERROR")) {
		err = errors.New("statement refused")
	}
	if err != nil {
		return fmt.Errorf("private Postgres: setting a new password: %w: %s", err, lastLines(string(out), 5))
	}
	c.secrets = fresh
	return fresh.write(c.secretsPath())
}

func syncFolder(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return fmt.Errorf("opening %s to sync it: %w", dir, err)
	}
	defer f.Close()
	if err := unix.Fsync(int(f.Fd())); err != nil {
		return fmt.Errorf("syncing %s: %w", dir, err)
	}
	return nil
}

func lastLines(text string, n int) string {
	lines := strings.Split(strings.TrimSpace(text), "\n")
	if len(lines) > n {
		lines = lines[len(lines)-n:]
	}
	return strings.Join(lines, "; ")
}
