package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// Errors that callers branch on; wrapped with what they concern.
var (
	// ErrNotFound: there is no such thing, or it is not the caller's to see.
	ErrNotFound = errors.New("not found")
	// ErrConflict: the thing exists but is not in a state that allows this.
	ErrConflict = errors.New("conflict")
	// ErrInvalid: the request itself cannot be meant.
	ErrInvalid = errors.New("invalid")
)

func notFound(format string, args ...any) error {
	return fmt.Errorf(format+": %w", append(args, ErrNotFound)...)
}

func conflict(format string, args ...any) error {
	return fmt.Errorf(format+": %w", append(args, ErrConflict)...)
}

func invalid(format string, args ...any) error {
	return fmt.Errorf(format+": %w", append(args, ErrInvalid)...)
}

// FieldError is an error that one field of what was asked is to blame for, by
// its name in the API.
type FieldError struct {
	Field string
	Err   error
}

// Error says what is wrong with the field.
func (e *FieldError) Error() string { return e.Err.Error() }

// Unwrap gives the error without the field.
func (e *FieldError) Unwrap() error { return e.Err }

func inField(field string, err error) error { return &FieldError{field, err} }

// SQLSTATE codes, Postgres manual, appendix A.
const (
	codeCheckViolation       = "23514"
	codeUniqueViolation      = "23505"
	codeSerializationFailure = "40001"
	codeDeadlock             = "40P01"
	codeLockNotAvailable     = "55P03"
	codeUndefinedTable       = "42P01"
	codeDuplicateTable       = "42P07"
	codePlanChanged          = "0A000" // "cached plan must not change result type", after a migration
)

// failure is how a transaction's error is to be answered.
type failure uint8

const (
	failFatal     failure = iota // neither retrying nor looking at rows helps
	failTransient                // the same transaction may go through next time
	failPartition                // a month has no partition yet
	failDuplicate                // a row is there already
	failRow                      // some row cannot be stored
)

// classify tells apart what is to be done next. When the connection broke, the
// outcome of a COMMIT is unknown, which idempotent writes make harmless to
// repeat.
func classify(err error) failure {
	var pg *pgconn.PgError
	if !errors.As(err, &pg) {
		if isBroken(err) {
			return failTransient
		}
		return failFatal
	}
	switch {
	case pg.Code == codeUniqueViolation:
		return failDuplicate
	case pg.Code == codeCheckViolation && pg.ConstraintName == "":
		return failPartition
	case pg.Code == codeCheckViolation, strings.HasPrefix(pg.Code, "22"), strings.HasPrefix(pg.Code, "23"):
		return failRow
	case pg.Code == codeSerializationFailure, pg.Code == codeDeadlock, pg.Code == codeLockNotAvailable,
		pg.Code == codePlanChanged, strings.HasPrefix(pg.Code, "08"), strings.HasPrefix(pg.Code, "57P"):
		return failTransient
	}
	return failFatal
}

func isCode(err error, code string) bool {
	var pg *pgconn.PgError
	return errors.As(err, &pg) && pg.Code == code
}

func isNoRows(err error) bool { return errors.Is(err, pgx.ErrNoRows) }

// isBroken says whether the connection, not the database, made the error.
func isBroken(err error) bool {
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return false
	}
	var connect *pgconn.ConnectError
	var network net.Error
	return errors.As(err, &connect) || errors.As(err, &network) || errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) ||
		errors.Is(err, net.ErrClosed) || pgconn.SafeToRetry(err)
}
