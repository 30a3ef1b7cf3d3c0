// Package evidence keeps days so that they can be held against whoever kept
// them: the sealed day as canonical text, its compact form at rest, the
// append-only log of all of them, and the bundle that anyone can check without
// us.
//
// A sealed day is UTF-8 text that a person can read. Its hash in the log is the
// leaf hash of RFC 6962, SHA-256 of a zero byte and the text, so that
//
//	(printf '\000'; cat day.txt) | sha256sum
//
// says by hand what the program says. There is one way only to write a day: the
// decoder takes nothing that the encoder would have written otherwise.
//
// The package is pure: it reads no clock, file, network or database.
package evidence
