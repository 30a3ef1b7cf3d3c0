package store

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
)

// The setting that row-level security goes by (migration 00020).
const (
	scopeSetting = "underkeep.properties"
	scopeAll     = "all"
)

type scopeKey struct{}

// WithScope bounds every query of the store that is made with the context to
// the rows of scope, whatever the query says. The API gives each request the
// empty scope first, and the principal's once that is known. A context without
// a scope is the service's own: commands, jobs, evaluation.
func WithScope(ctx context.Context, scope Scope) context.Context {
	return context.WithValue(ctx, scopeKey{}, scope)
}

// asService lifts the bounds, for what the service itself must know whoever
// asks: tokens, sessions, the registry, how late it is.
func asService(ctx context.Context) context.Context { return WithScope(ctx, AllProperties) }

// scopedPool is the pool of the API. Each statement and each transaction tells
// the database first whose rows it may touch; nothing else leads to a
// connection.
type scopedPool struct {
	pool *pgxpool.Pool
	// number of a property; false: not registered
	number func(property string) (int32, bool)
}

// setting of a context.
func (p *scopedPool) setting(ctx context.Context) string {
	scope, bounded := ctx.Value(scopeKey{}).(Scope)
	if !bounded || scope.All {
		return scopeAll
	}
	var b strings.Builder
	b.WriteByte('{')
	for _, name := range scope.Properties {
		if n, ok := p.number(name); ok {
			if b.Len() > 1 {
				b.WriteByte(',')
			}
			b.WriteString(strconv.Itoa(int(n)))
		}
	}
	b.WriteByte('}')
	return b.String()
}

// BeginTx begins a transaction, bounded from its first statement on. The
// setting goes in the same round trip.
func (p *scopedPool) BeginTx(ctx context.Context, o pgx.TxOptions) (pgx.Tx, error) {
	if o.BeginQuery != "" {
		return nil, fmt.Errorf("a transaction with its own begin: %w", ErrInvalid)
	}
	begin := "begin"
	for _, mode := range []string{string(o.AccessMode), string(o.DeferrableMode)} {
		if mode != "" {
			begin += " " + mode
		}
	}
	if o.IsoLevel != "" {
		begin += " isolation level " + string(o.IsoLevel)
	}
	// The value has only digits, commas, braces and letters: see setting.
	o = pgx.TxOptions{BeginQuery: begin + "; SET LOCAL " + scopeSetting + " = '" + p.setting(ctx) + "'"}
	return p.pool.BeginTx(ctx, o)
}

// Query runs one statement in a transaction of its own, with the setting in the
// same round trip.
func (p *scopedPool) Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error) {
	conn, err := p.pool.Acquire(ctx)
	if err != nil {
		return nil, err
	}
	res, err := p.send(ctx, conn, sql, args)
	if err != nil {
		conn.Release()
		return nil, err
	}
	rows, err := res.Query()
	out := &scopedRows{Rows: rows, res: res, conn: conn}
	if err != nil {
		out.Close()
		return nil, err
	}
	return out, nil
}

// send pipelines the setting and the statement: until the pipeline's end they
// are one transaction (Postgres manual, 55.2.4), which "true" bounds it to.
func (p *scopedPool) send(ctx context.Context, conn *pgxpool.Conn, sql string, args []any) (pgx.BatchResults, error) {
	var b pgx.Batch
	b.Queue(`SELECT set_config('`+scopeSetting+`', $1, true)`, p.setting(ctx))
	b.Queue(sql, args...)
	res := conn.SendBatch(ctx, &b)
	if _, err := res.Exec(); err != nil {
		res.Close()
		return nil, err
	}
	return res, nil
}

// QueryRow runs a statement that answers one row.
func (p *scopedPool) QueryRow(ctx context.Context, sql string, args ...any) pgx.Row {
	rows, err := p.Query(ctx, sql, args...)
	return scopedRow{rows, err}
}

// Exec runs a statement without rows.
func (p *scopedPool) Exec(ctx context.Context, sql string, args ...any) (pgconn.CommandTag, error) {
	conn, err := p.pool.Acquire(ctx)
	if err != nil {
		return pgconn.CommandTag{}, err
	}
	defer conn.Release()
	res, err := p.send(ctx, conn, sql, args)
	if err != nil {
		return pgconn.CommandTag{}, err
	}
	tag, err := res.Exec()
	if closed := res.Close(); err == nil {
		err = closed // deferred constraints fail here
	}
	return tag, err
}

// scopedRows gives its connection back when it has been read or closed.
type scopedRows struct {
	pgx.Rows
	res  pgx.BatchResults
	conn *pgxpool.Conn // nil once given back
	err  error
}

func (r *scopedRows) Next() bool {
	if r.Rows.Next() {
		return true
	}
	r.Close()
	return false
}

func (r *scopedRows) Close() {
	if r.conn == nil {
		return
	}
	r.Rows.Close()
	r.err = r.Rows.Err()
	if closed := r.res.Close(); r.err == nil {
		r.err = closed
	}
	r.conn.Release()
	r.conn = nil
}

func (r *scopedRows) Err() error {
	if r.err != nil {
		return r.err
	}
	return r.Rows.Err()
}

// Scan closes the rows when it fails, as pgx does.
func (r *scopedRows) Scan(dest ...any) error {
	err := r.Rows.Scan(dest...)
	if err != nil {
		r.Close()
	}
	return err
}

type scopedRow struct {
	rows pgx.Rows
	err  error
}

func (r scopedRow) Scan(dest ...any) error {
	if r.err != nil {
		return r.err
	}
	defer r.rows.Close()
	if !r.rows.Next() {
		if err := r.rows.Err(); err != nil {
			return err
		}
		return pgx.ErrNoRows
	}
	if err := r.rows.Scan(dest...); err != nil {
		return err
	}
	r.rows.Close()
	return r.rows.Err()
}

// bounds of a context: every property without WithScope.
func bounds(ctx context.Context) Scope {
	if scope, bounded := ctx.Value(scopeKey{}).(Scope); bounded {
		return scope
	}
	return AllProperties
}

// Registered finds a property as the registry has it. The registry lies in
// memory, out of reach of row-level security, so the context's bounds hold here:
// a property beyond them is as unknown as one that does not exist.
func (s *Store) Registered(ctx context.Context, property string) (*Registered, bool) {
	if !bounds(ctx).Sees(property) {
		return nil, false
	}
	return s.Registry().Property(property)
}

// EachRegistered calls f with every property within the context's bounds until it
// returns false.
func (s *Store) EachRegistered(ctx context.Context, f func(*Registered) bool) {
	within := bounds(ctx)
	s.Registry().Each(func(p *Registered) bool { return !within.Sees(p.ID) || f(p) })
}
