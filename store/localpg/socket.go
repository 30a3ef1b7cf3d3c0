package localpg

import (
	"fmt"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
)

// socketPathMax is the longest name of a unix socket on Linux, without its final
// zero byte.
const socketPathMax = 107

// plainPath has nothing that the server's list of socket folders would read as
// punctuation.
var plainPath = regexp.MustCompile(`^[A-Za-z0-9/._-]+$`)

// socketNote is a file in the data folder that names a socket folder outside it, so
// that the next start can remove it after a crash.
const socketNote = "socket-folder"

// makeSocketDir makes the private folder for the server's socket: in the data
// folder, or, where that name is too long or closed to the server, a short one
// under the folder for temporary files.
func (c *Cluster) makeSocketDir() (string, error) {
	note := filepath.Join(c.dir, socketNote)
	if old, err := os.ReadFile(note); err == nil {
		c.removeSocketDir(strings.TrimSpace(string(old)))
	}
	dir := filepath.Join(c.dir, "run")
	if len(dir)+len("/.s.PGSQL.65535.lock") <= socketPathMax && plainPath.MatchString(dir) && c.account.mayEnter(c.dir) {
		if err := os.MkdirAll(dir, 0o700); err != nil {
			return "", fmt.Errorf("private Postgres: socket folder: %w", err)
		}
		return dir, c.account.own(dir)
	}
	dir, err := os.MkdirTemp(shortTempDir(), "underkeep-pg-")
	if err != nil {
		return "", fmt.Errorf("private Postgres: socket folder: %w", err)
	}
	if err := os.WriteFile(note, []byte(dir+"\n"), 0o600); err != nil {
		return "", fmt.Errorf("private Postgres: noting its socket folder: %w", err)
	}
	return dir, c.account.own(dir)
}

// removeSocketDir removes a socket folder outside the data folder.
func (c *Cluster) removeSocketDir(dir string) {
	if !strings.HasPrefix(filepath.Base(dir), "underkeep-pg-") {
		return
	}
	if err := os.RemoveAll(dir); err != nil {
		c.log.Warn("could not remove a socket folder", "folder", dir, "err", err)
	}
	os.Remove(filepath.Join(c.dir, socketNote)) // made anew with the next folder
}

// shortTempDir is where other users of the machine can be let in: TMPDIR may be
// long or private.
func shortTempDir() string { return "/tmp" }

// freePort finds a port of the loopback interface that nobody uses now.
func freePort() (int, error) {
	l, err := net.Listen("tcp4", "127.0.0.1:0")
	if err != nil {
		return 0, fmt.Errorf("private Postgres: finding a free port: %w", err)
	}
	return l.Addr().(*net.TCPAddr).Port, l.Close()
}
