package store

import (
	"errors"
	"strings"
	"testing"
)

// The vectors are those of the reference implementation of Argon2
// (phc-winner-argon2, src/test.c: argon2id, version 0x13, t=2, m=2^16, p=1, "password",
// "somesalt", 09316115…3cf7; from memory).
func TestPasswordsOfTheReferenceImplementation(t *testing.T) {
	t.Parallel()
	const published = "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"
	if !CheckPassword(published, "password") {
		t.Error("the published hash of \"password\" is not recognized")
	}
	if CheckPassword(published, "differentpassword") {
		t.Error("another password is accepted")
	}
	if !needsRehash(published) {
		t.Error("a hash of another cost is taken for one of today's")
	}
}

func TestPasswordHashes(t *testing.T) {
	t.Parallel()
	const secret = "contraseña de la casa"
	a, err := HashPassword(secret)
	if err != nil {
		t.Fatal(err)
	}
	b, err := HashPassword(secret)
	if err != nil || a == b {
		t.Errorf("two hashes of one password are alike, or %v", err)
	}
	if !CheckPassword(a, secret) || CheckPassword(a, secret+" ") || needsRehash(a) {
		t.Errorf("hash %s", a)
	}
	for _, refused := range []string{"", "ninechars", strings.Repeat("x", 257), "not\xfftext at all"} {
		if _, err := HashPassword(refused); !errors.Is(err, ErrInvalid) {
			t.Errorf("password %.20q: %v", refused, err)
		}
	}
}

// Nothing that stands in the column lets anybody in by accident, and nothing in
// it can make a check cost without bound.
func TestDamagedHashesMatchNothing(t *testing.T) {
	t.Parallel()
	for _, phc := range []string{"", nobodysHash, "x", "$argon2id$v=19$m=4294967295,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc",
		"$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$", "$argon2i$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc",
		"$argon2id$v=19$m=8,t=0,p=0$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc", "plain"} {
		for _, password := range []string{"", "password", phc} {
			if CheckPassword(phc, password) {
				t.Errorf("%q lets %q in", phc, password)
			}
		}
	}
}

func FuzzParsePHC(f *testing.F) {
	f.Add(nobodysHash)
	f.Add("$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc")
	f.Fuzz(func(t *testing.T, phc string) {
		time, memory, lanes, salt, key, err := parsePHC(phc)
		if err == nil && (time > 16 || memory > 256<<10 || lanes == 0 || len(salt) == 0 || len(key) < 16) {
			t.Errorf("%q is accepted", phc)
		}
	})
}
