package store

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"fmt"
	"strings"
	"sync/atomic"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"
)

// Cost of a password hash: argon2id (RFC 9106) with m=19 MiB, t=2, p=1, one of the
// settings that OWASP's Password Storage Cheat Sheet lists as equal (from memory);
// the smallest in memory, since many people may sign in at once.
const (
	argonTime   = 2
	argonMemory = 19 << 10 // KiB
	argonLanes  = 1
	argonSalt   = 16
	argonKey    = 32
)

// Lengths of a password. A short one is refused; the upper bound keeps hashing
// cheap to refuse. NIST SP 800-63B-4, section 3.1.1.2: at least 15 characters
// where it is the only factor may be asked for, 8 at the very least; at least 64
// must be possible.
const (
	minPassword = 10  // characters
	maxPassword = 256 // bytes
)

// passwordChecks counts how often a password hash was worked out, for the test
// that an unknown person costs as much as a wrong password.
var passwordChecks atomic.Int64

// hashing bounds the memory that hashes take together: 4 × 19 MiB.
var hashing = make(chan struct{}, 4)

// HashPassword makes the PHC string of a password. ErrInvalid when it is too
// short, too long or not text.
func HashPassword(password string) (string, error) {
	if n := utf8.RuneCountInString(password); n < minPassword || len(password) > maxPassword || !utf8.ValidString(password) {
		return "", invalid("a password needs %d characters at least and %d bytes at most", minPassword, maxPassword)
	}
	salt := make([]byte, argonSalt)
	rand.Read(salt) // never fails, crypto/rand
	return phcString(argonTime, argonMemory, argonLanes, salt, argonHash(password, salt, argonTime, argonMemory, argonLanes, argonKey)), nil
}

func hashIfGiven(password string) (string, error) {
	if password == "" {
		return "", nil
	}
	return HashPassword(password)
}

func argonHash(password string, salt []byte, time, memory uint32, lanes uint8, length uint32) []byte {
	hashing <- struct{}{}
	defer func() { <-hashing }()
	passwordChecks.Add(1)
	return argon2.IDKey([]byte(password), salt, time, memory, lanes, length)
}

// phcString is the form of the PHC string format for argon2, version 0x13.
func phcString(time, memory uint32, lanes uint8, salt, key []byte) string {
	b64 := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=19$m=%d,t=%d,p=%d$%s$%s", memory, time, lanes, b64.EncodeToString(salt), b64.EncodeToString(key))
}

// nobodysHash is checked where there is nobody or no password, so that both cost
// what a wrong password costs. No password gives its key.
var nobodysHash = phcString(argonTime, argonMemory, argonLanes, make([]byte, argonSalt), make([]byte, argonKey))

// CheckPassword says whether password is the one that phc was made from. An
// empty phc is checked against a hash that nothing matches, in the same time.
func CheckPassword(phc, password string) bool {
	if len(password) > maxPassword {
		password = password[:maxPassword+1] // matches nothing, costs the same
	}
	known := phc != ""
	if !known {
		phc = nobodysHash
	}
	time, memory, lanes, salt, key, err := parsePHC(phc)
	if err != nil {
		known = false
		time, memory, lanes, salt, key, _ = parsePHC(nobodysHash)
	}
	got := argonHash(password, salt, time, memory, lanes, uint32(len(key)))
	return subtle.ConstantTimeCompare(got, key) == 1 && known
}

// needsRehash says that a hash was made at another cost than today's.
func needsRehash(phc string) bool {
	return !strings.HasPrefix(phc, fmt.Sprintf("$argon2id$v=19$m=%d,t=%d,p=%d$", argonMemory, argonTime, argonLanes))
}

// parsePHC reads an argon2id PHC string and bounds its cost: the string comes
// from the database, and a forged one must not take the machine down.
func parsePHC(phc string) (time, memory uint32, lanes uint8, salt, key []byte, err error) {
	parts := strings.Split(phc, "$")
	if len(parts) != 6 || parts[0] != "" || parts[1] != "argon2id" || parts[2] != "v=19" {
		return 0, 0, 0, nil, nil, fmt.Errorf("not an argon2id hash")
	}
	if _, err = fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &memory, &time, &lanes); err != nil {
		return 0, 0, 0, nil, nil, fmt.Errorf("parameters of the hash: %w", err)
	}
	if salt, err = base64.RawStdEncoding.DecodeString(parts[4]); err == nil {
		key, err = base64.RawStdEncoding.DecodeString(parts[5])
	}
	if err != nil || time < 1 || time > 16 || memory < 8 || memory > 256<<10 || lanes < 1 || lanes > 16 || len(salt) < 8 || len(key) < 16 || len(key) > 64 {
		return 0, 0, 0, nil, nil, fmt.Errorf("hash out of bounds")
	}
	return time, memory, lanes, salt, key, nil
}
