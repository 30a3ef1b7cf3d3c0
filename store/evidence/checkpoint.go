package evidence

import (
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/mod/sumdb/note"
)

// A checkpoint says how long the log is and what its hash is, signed: a C2SP
// tlog-checkpoint in a C2SP signed note (v1.0.0), Ed25519. Text of three lines:
// origin, size, hash in base64.

// CheckpointText is what a checkpoint signs.
func CheckpointText(origin string, t Tree) string {
	return fmt.Sprintf("%s\n%d\n%s\n", origin, t.Size, base64.StdEncoding.EncodeToString(t.Root[:]))
}

// ParseCheckpointText reads the three lines; further lines of an extension are
// refused, since this log writes none.
func ParseCheckpointText(text string) (origin string, t Tree, err error) {
	lines := strings.Split(text, "\n")
	if len(lines) != 4 || lines[0] == "" || lines[3] != "" {
		return "", Tree{}, errors.New("a checkpoint has three lines: origin, size, hash")
	}
	if t.Size, err = strconv.ParseInt(lines[1], 10, 64); err != nil || t.Size < 0 {
		return "", Tree{}, fmt.Errorf("size %q of a checkpoint", clip(lines[1]))
	}
	root, err := base64.StdEncoding.DecodeString(lines[2])
	if err != nil || len(root) != 32 {
		return "", Tree{}, fmt.Errorf("hash %q of a checkpoint", clip(lines[2]))
	}
	t.Root = [32]byte(root)
	if CheckpointText(lines[0], t) != text {
		return "", Tree{}, errors.New("a checkpoint written in another way")
	}
	return lines[0], t, nil
}

// Sign makes a checkpoint of t; every signer signs, in order. The origin is the
// signers' common name.
func Sign(t Tree, signers ...note.Signer) ([]byte, error) {
	if len(signers) == 0 {
		return nil, errors.New("nobody to sign the checkpoint")
	}
	for _, s := range signers {
		if s.Name() != signers[0].Name() {
			return nil, fmt.Errorf("signers %q and %q of one log", signers[0].Name(), s.Name())
		}
	}
	out, err := note.Sign(&note.Note{Text: CheckpointText(signers[0].Name(), t)}, signers...)
	if err != nil {
		return nil, fmt.Errorf("sign the checkpoint of %d records: %w", t.Size, err)
	}
	return out, nil
}

// Checkpoint is a signed state of the log.
type Checkpoint struct {
	Tree
	Origin string
	Note   []byte   // as it was signed
	Keys   []uint32 // ids of the keys whose signatures were verified
}

// OpenCheckpoint verifies a checkpoint: at least one of the keys has signed it,
// no signature by one of them is wrong, and its origin is their name.
func OpenCheckpoint(signed []byte, keys Keys) (Checkpoint, error) {
	n, err := note.Open(signed, note.VerifierList(keys.verifiers...))
	if err != nil {
		return Checkpoint{}, fmt.Errorf("checkpoint: %w", err)
	}
	origin, t, err := ParseCheckpointText(n.Text)
	if err != nil {
		return Checkpoint{}, err
	}
	c := Checkpoint{Tree: t, Origin: origin, Note: signed}
	for _, s := range n.Sigs {
		if s.Name != origin {
			return Checkpoint{}, fmt.Errorf("checkpoint of %q, signed by %q", origin, s.Name)
		}
		c.Keys = append(c.Keys, s.Hash)
	}
	return c, nil
}

// Keys are public keys of a log.
type Keys struct {
	lines     []string
	verifiers []note.Verifier
}

// ParseKeys reads public keys in the form of sumdb/note, NAME+ID+KEY, one a
// line; empty lines and those that begin with # are left out.
func ParseKeys(text string) (Keys, error) {
	var k Keys
	for line := range strings.Lines(text) {
		line = strings.TrimSpace(line)
		if line == "" || line[0] == '#' {
			continue
		}
		v, err := note.NewVerifier(line)
		if err != nil {
			return Keys{}, fmt.Errorf("public key %q: %w", clip(line), err)
		}
		k.lines, k.verifiers = append(k.lines, line), append(k.verifiers, v)
	}
	if len(k.lines) == 0 {
		return Keys{}, errors.New("no public key")
	}
	return k, nil
}

// SignedBy are those of public keys that have signed a note, in the order of
// their signatures.
func SignedBy(signed []byte, public []string) (Keys, error) {
	all, err := ParseKeys(strings.Join(public, "\n"))
	if err != nil {
		return Keys{}, err
	}
	n, err := note.Open(signed, note.VerifierList(all.verifiers...))
	if err != nil {
		return Keys{}, fmt.Errorf("checkpoint: %w", err)
	}
	var out Keys
	for _, sig := range n.Sigs {
		for i, v := range all.verifiers {
			if v.Name() == sig.Name && v.KeyHash() == sig.Hash {
				out.lines, out.verifiers = append(out.lines, all.lines[i]), append(out.verifiers, v)
			}
		}
	}
	return out, nil
}

// String is the keys, one a line.
func (k Keys) String() string { return strings.Join(k.lines, "\n") + "\n" }

// PEM is the first key for programs that know no notes, such as openssl:
// SubjectPublicKeyInfo of Ed25519 (RFC 8410, section 4).
func (k Keys) PEM() ([]byte, error) {
	parts := strings.SplitN(k.lines[0], "+", 3)
	raw, err := base64.StdEncoding.DecodeString(parts[len(parts)-1])
	if err != nil || len(raw) != 33 || raw[0] != 1 {
		return nil, fmt.Errorf("%q is no Ed25519 key", clip(k.lines[0]))
	}
	der := append([]byte{0x30, 0x2a, 0x30, 0x05, 0x06, 0x03, 0x2b, 0x65, 0x70, 0x03, 0x21, 0x00}, raw[1:]...)
	return []byte("-----BEGIN PUBLIC KEY-----\n" + base64.StdEncoding.EncodeToString(der) + "\n-----END PUBLIC KEY-----\n"), nil
}

// CheckOrigin says why a name cannot be that of a log: it names the keys too,
// and a key's name has neither spaces nor a plus.
func CheckOrigin(origin string) error {
	if origin == "" || len(origin) > 200 || !utf8.ValidString(origin) || strings.ContainsRune(origin, '+') ||
		strings.IndexFunc(origin, func(r rune) bool { return unicode.IsSpace(r) || !unicode.IsPrint(r) }) >= 0 {
		return fmt.Errorf("origin %q of a log: want 1 to 200 printable characters without space and plus", clip(origin))
	}
	return nil
}
