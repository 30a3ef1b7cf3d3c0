package store

import (
	"cmp"
	"context"
	"fmt"
	"strings"
	"sync/atomic"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// Actor is who does something, as the audit log names them: people and tokens by
// number alone.
type Actor struct {
	Who    string // "person 12", "token 3"
	Source string // address the request came from
	noted  *atomic.Bool
}

type actorKey struct{}

// WithActor says in whose name the store is used from here on.
func WithActor(ctx context.Context, who, source string) context.Context {
	return context.WithValue(ctx, actorKey{}, Actor{Who: who, Source: source, noted: new(atomic.Bool)})
}

// Noted says whether anything was put into the audit log under the context's
// actor, so that whoever handles a request need not note it a second time.
func Noted(ctx context.Context) bool {
	a, _ := ctx.Value(actorKey{}).(Actor)
	return a.noted != nil && a.noted.Load()
}

// AuditEntry is one line of the audit log.
type AuditEntry struct {
	ID      int64
	At      time.Time
	Actor   string // "person 12", "token 3", "command line, root", "nobody"
	Name    string // of the person or token, as it stands now; "" for others
	Action  string // [a-z-]: "sign-in", "person-change", "evidence-read"
	Object  string // "person 12", "property heron-07"; "" none
	Refused bool
	Source  string
	Detail  string
}

type execer interface {
	Exec(ctx context.Context, sql string, args ...any) (pgconn.CommandTag, error)
}

// audit writes an entry; in the transaction of what it tells of, so that
// neither is there without the other. by stands in where the context has no
// actor.
func audit(ctx context.Context, e execer, by string, entry AuditEntry) error {
	a, _ := ctx.Value(actorKey{}).(Actor)
	outcome := "done"
	if entry.Refused {
		outcome = "refused"
	}
	_, err := e.Exec(ctx, `INSERT INTO audit_entry (actor, action, object, outcome, source, detail) VALUES ($1, $2, $3, $4, $5, $6)`,
		cutText(cmp.Or(entry.Actor, a.Who, by, "nobody"), 200), entry.Action, cutText(entry.Object, 200), outcome,
		cutText(cmp.Or(entry.Source, a.Source), 100), cutText(entry.Detail, 1000))
	if err != nil {
		return fmt.Errorf("note %s in the audit log: %w", entry.Action, err)
	}
	if a.noted != nil {
		a.noted.Store(true)
	}
	return nil
}

// Note puts an entry into the audit log by itself.
func (s *Store) Note(ctx context.Context, entry AuditEntry) error {
	return audit(ctx, s.api, "", entry)
}

// AuditQuery asks for a page of the audit log, newest first. Zero fields do not
// limit.
type AuditQuery struct {
	Actor, Action, Object string
	From, To              time.Time
	Cursor                string
	Limit                 int
}

// Audit lists a page of the audit log; next is "" at the end.
func (s *Store) Audit(ctx context.Context, q AuditQuery) (page []AuditEntry, next string, err error) {
	before := int64(1) << 62
	if _, err := decodeCursor(q.Cursor, &before); err != nil {
		return nil, "", err
	}
	limit := pageSize(q.Limit)
	rows, err := s.api.Query(ctx, `SELECT a.audit_id, a.at, a.actor, coalesce(pe.name, t.name, ''), a.action, a.object, a.outcome = 'refused', a.source, a.detail
		FROM audit_entry a
		LEFT JOIN person pe ON a.actor = 'person ' || pe.person_id
		LEFT JOIN token t ON a.actor = 'token ' || t.token_id
		WHERE a.audit_id < $1 AND ($2 = '' OR a.actor = $2) AND ($3 = '' OR a.action = $3) AND ($4 = '' OR a.object = $4)
			AND ($5::timestamptz IS NULL OR a.at >= $5) AND ($6::timestamptz IS NULL OR a.at < $6)
		ORDER BY a.audit_id DESC LIMIT $7`,
		before, q.Actor, q.Action, q.Object, nullInstant(q.From), nullInstant(q.To), limit+1)
	if err != nil {
		return nil, "", fmt.Errorf("read the audit log: %w", err)
	}
	page, err = pgx.CollectRows(rows, func(r pgx.CollectableRow) (e AuditEntry, err error) {
		err = r.Scan(&e.ID, &e.At, &e.Actor, &e.Name, &e.Action, &e.Object, &e.Refused, &e.Source, &e.Detail)
		e.At = e.At.UTC()
		return e, err
	})
	if err != nil {
		return nil, "", fmt.Errorf("read the audit log: %w", err)
	}
	if len(page) > limit {
		page, next = page[:limit], encodeCursor(page[limit-1].ID)
	}
	return page, next, nil
}

// changed lists what a change touches, without the values: a log of addresses
// would be another copy of them to look after.
func changed(parts map[string]bool) string {
	var out []string
	for _, name := range []string{"name", "email", "phone", "language", "units", "password", "role", "scope", "disabled", "enabled"} {
		if parts[name] {
			out = append(out, name)
		}
	}
	return strings.Join(out, ", ")
}
