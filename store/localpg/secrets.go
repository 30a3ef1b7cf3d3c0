package localpg

import (
	"crypto/rand"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// secrets are the passwords of the cluster's two roles: random letters and digits,
// at least 128 bits each.
type secrets struct {
	superuser, service string
}

func newSecrets() secrets { return secrets{superuser: rand.Text(), service: rand.Text()} }

// secretsPath is in the form of a libpq password file, so that an operator can
// point PGPASSFILE at it.
func (c *Cluster) secretsPath() string { return filepath.Join(c.dir, "pgpass") }

func (s secrets) write(path string) error {
	text := fmt.Sprintf("*:*:*:%s:%s\n*:*:*:%s:%s\n", superuser, s.superuser, serviceRole, s.service)
	next := path + ".new"
	f, err := os.OpenFile(next, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return fmt.Errorf("private Postgres: writing its password file: %w", err)
	}
	_, err = f.WriteString(text)
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("private Postgres: writing its password file: %w", err)
	}
	if err := os.Rename(next, path); err != nil {
		return fmt.Errorf("private Postgres: putting its password file in place: %w", err)
	}
	return syncFolder(filepath.Dir(path))
}

func readSecrets(path string) (secrets, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return secrets{}, fmt.Errorf("private Postgres: reading its passwords: %w", err)
	}
	found := map[string]string{}
	for line := range strings.Lines(string(text)) {
		if fields := strings.Split(strings.TrimSpace(line), ":"); len(fields) == 5 {
			found[fields[3]] = fields[4]
		}
	}
	s := secrets{superuser: found[superuser], service: found[serviceRole]}
	if s.superuser == "" || s.service == "" {
		return secrets{}, fmt.Errorf("private Postgres: %s lacks a password for %s or %s; "+
			"remove the file and start again to have new ones set", path, superuser, serviceRole)
	}
	return s, nil
}
