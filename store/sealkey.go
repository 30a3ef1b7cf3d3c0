package store

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/mod/sumdb/note"

	"underkeep/store/evidence"
)

// Keyring holds the keys that sign the log, and the highest checkpoint that was
// ever shown to anyone, in a folder outside the database: whoever restores an
// old database cannot restore what was promised since.
type Keyring struct {
	folder string
	keys   []signingKey // newest first
}

type signingKey struct {
	secret, public string
	until          time.Time // zero: for good
	signer         note.Signer
}

const (
	keyFile        = "log.keys"
	checkpointFile = "log.checkpoint"
)

// ErrNoKey: the folder has no key.
var ErrNoKey = errors.New("no signing key")

// OpenKeyring reads the keys in a folder; ErrNoKey when there are none.
func OpenKeyring(folder string) (*Keyring, error) {
	k := &Keyring{folder: folder}
	name := filepath.Join(folder, keyFile)
	text, err := os.ReadFile(name)
	if errors.Is(err, os.ErrNotExist) {
		return nil, fmt.Errorf("%s: %w", name, ErrNoKey)
	}
	if err != nil {
		return nil, fmt.Errorf("read the log's keys: %w", err)
	}
	for line := range strings.Lines(string(text)) {
		if line = strings.TrimSpace(line); line == "" || line[0] == '#' {
			continue
		}
		key, err := parseKey(line)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err) // never with the line: it is secret
		}
		k.keys = append(k.keys, key)
	}
	if len(k.keys) == 0 {
		return nil, fmt.Errorf("%s: %w", name, ErrNoKey)
	}
	return k, nil
}

// parseKey reads "SECRET PUBLIC UNTIL"; UNTIL is "-" for good.
func parseKey(line string) (k signingKey, err error) {
	f := strings.Fields(line)
	if len(f) != 3 {
		return k, errors.New("a line is no key")
	}
	k.secret, k.public = f[0], f[1]
	if f[2] != "-" {
		if k.until, err = time.Parse(time.RFC3339, f[2]); err != nil {
			return k, errors.New("a key ends at no time")
		}
	}
	if k.signer, err = note.NewSigner(k.secret); err != nil {
		return k, errors.New("a line is no key")
	}
	v, err := note.NewVerifier(k.public)
	if err != nil || v.KeyHash() != k.signer.KeyHash() || v.Name() != k.signer.Name() {
		return k, errors.New("the halves of a key do not belong together")
	}
	return k, nil
}

// CreateKeyring makes a folder's first key. An empty origin is replaced by a
// random name of its own, so that no two logs share one.
func CreateKeyring(folder, origin string) (*Keyring, error) {
	if origin == "" {
		var b [4]byte
		rand.Read(b[:]) // never fails, crypto/rand
		origin = "underkeep/" + hex.EncodeToString(b[:])
	}
	if err := evidence.CheckOrigin(origin); err != nil {
		return nil, err
	}
	if _, err := OpenKeyring(folder); !errors.Is(err, ErrNoKey) {
		return nil, errors.Join(fmt.Errorf("the folder %s has keys already", folder), err)
	}
	k := &Keyring{folder: folder}
	if err := k.add(origin); err != nil {
		return nil, err
	}
	return k, nil
}

func (k *Keyring) add(origin string) error {
	secret, public, err := note.GenerateKey(rand.Reader, origin)
	if err != nil {
		return fmt.Errorf("make a key for %s: %w", origin, err)
	}
	key, err := parseKey(secret + " " + public + " -")
	if err != nil {
		return err
	}
	k.keys = append([]signingKey{key}, k.keys...)
	return k.write()
}

// Rotate adds a key that signs from now on; those before it go on signing until
// then, so that whoever has only an old key can follow.
func (k *Keyring) Rotate(until time.Time) error {
	for i := range k.keys {
		if k.keys[i].until.IsZero() || k.keys[i].until.After(until) {
			k.keys[i].until = until.UTC().Truncate(time.Second)
		}
	}
	return k.add(k.Origin())
}

func (k *Keyring) write() error {
	var b strings.Builder
	b.WriteString("# Secret keys of the evidence log, newest first: SECRET PUBLIC UNTIL. Back this file up where the database is not.\n")
	for _, key := range k.keys {
		until := "-"
		if !key.until.IsZero() {
			until = key.until.Format(time.RFC3339)
		}
		fmt.Fprintf(&b, "%s %s %s\n", key.secret, key.public, until)
	}
	return writeDurably(k.folder, keyFile, []byte(b.String()))
}

// writeDurably replaces a file as a whole: after a crash it is the old or the
// new one.
func writeDurably(folder, name string, content []byte) (err error) {
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return fmt.Errorf("make the folder of the log's keys: %w", err)
	}
	f, err := os.CreateTemp(folder, name+".*") // 0600
	if err != nil {
		return fmt.Errorf("write %s: %w", name, err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(fmt.Errorf("write %s: %w", name, err), os.Remove(f.Name()))
		}
	}()
	if _, err = f.Write(content); err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = os.Rename(f.Name(), filepath.Join(folder, name))
	}
	if err != nil {
		return err
	}
	d, err := os.Open(folder)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// Origin is the log's name.
func (k *Keyring) Origin() string { return k.keys[0].signer.Name() }

// Public is every public key that signs at the time now, newest first.
func (k *Keyring) Public(now time.Time) []string {
	var out []string
	for _, key := range k.keys {
		if key.until.IsZero() || now.Before(key.until) {
			out = append(out, key.public)
		}
	}
	return out
}

func (k *Keyring) signers(now time.Time) []note.Signer {
	var out []note.Signer
	for _, key := range k.keys {
		if key.until.IsZero() || now.Before(key.until) {
			out = append(out, key.signer)
		}
	}
	return out
}

// all verifies what any of the keys has signed, former ones included.
func (k *Keyring) all() (evidence.Keys, error) {
	var lines []string
	for _, key := range k.keys {
		lines = append(lines, key.public)
	}
	return evidence.ParseKeys(strings.Join(lines, "\n"))
}

// Kept is the highest checkpoint that was shown; false when there is none.
func (k *Keyring) Kept() (evidence.Checkpoint, bool, error) {
	signed, err := os.ReadFile(filepath.Join(k.folder, checkpointFile))
	if errors.Is(err, os.ErrNotExist) {
		return evidence.Checkpoint{}, false, nil
	}
	if err != nil {
		return evidence.Checkpoint{}, false, fmt.Errorf("read the kept checkpoint: %w", err)
	}
	keys, err := k.all()
	if err != nil {
		return evidence.Checkpoint{}, false, err
	}
	c, err := evidence.OpenCheckpoint(signed, keys)
	if err != nil {
		return evidence.Checkpoint{}, false, fmt.Errorf("the kept checkpoint: %w", err)
	}
	return c, true, nil
}

// keep replaces the kept checkpoint; the caller has shown that the log grew out
// of the one before.
func (k *Keyring) keep(signed []byte) error { return writeDurably(k.folder, checkpointFile, signed) }
