package store

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/visit"
)

// VisitWrite is who writes, and what may be written.
type VisitWrite struct {
	Scope  Scope  // a property beyond it does not exist
	By     string // who, as the journal will show it
	Person int32  // 0: a program
	// Key makes the write safe to repeat: the same key with the same content
	// changes nothing the second time, with another content it is ErrConflict.
	// "": one is made up.
	Key string
	Now time.Time
}

// Written is what a write came to.
type Written struct {
	Visit    string // id; "" outside any visit
	Ref      int32  // number of the reading, part, photo, check or test; 0 none
	Repeated bool   // the same write had come before
}

// visitTx carries one write through its transaction.
type visitTx struct {
	pgx.Tx
	w        VisitWrite
	property string
	num      int32
	visit    visit.Visit // as it stood before; No is 0 outside any visit
	ref      int32
	entries  []visitEntry
}

// visitEntry is one line on its way into a visit's journal.
type visitEntry struct {
	kind, why string
	ref       int32
	detail    any
}

func (t *visitTx) note(kind, why string, ref int32, detail any) {
	t.entries = append(t.entries, visitEntry{kind, why, ref, detail})
}

// writeVisit runs f on a locked property and, where one is named, a locked
// visit of it, and writes the journal, in one transaction. content is what the
// key stands for.
func (s *Store) writeVisit(ctx context.Context, w VisitWrite, property string, no int32, content any, f func(context.Context, *visitTx) error) (Written, error) {
	if w.By == "" {
		return Written{}, invalid("a visit of %s written by nobody", property)
	}
	if len(w.Key) > 200 {
		return Written{}, invalid("a request key of more than 200 bytes")
	}
	if !w.Scope.Sees(property) {
		return Written{}, notFound("property %s", property)
	}
	if w.Key == "" {
		w.Key = "own-" + hex.EncodeToString(randomBytes(16))
	}
	sum := contentSum(no, content)
	var out Written
	err := retrying(ctx, func() error {
		return withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) (err error) {
			t := &visitTx{Tx: tx, w: w, property: property}
			if t.num, err = lockProperty(ctx, tx, property); err != nil {
				return err
			}
			if out, err = t.before(ctx, sum); err != nil || out.Repeated {
				return err
			}
			if no != 0 {
				if t.visit, err = lockVisit(ctx, tx, property, t.num, no); err != nil {
					return err
				}
			}
			if err := f(ctx, t); err != nil {
				return err
			}
			out = Written{Visit: visit.ID(property, t.visit.No), Ref: t.ref}
			return t.writeJournal(ctx, sum)
		})
	})
	return out, err
}

func randomBytes(n int) []byte {
	b := make([]byte, n)
	rand.Read(b) // never fails, crypto/rand
	return b
}

// contentSum tells two writes under one key apart.
func contentSum(no int32, content any) []byte {
	b, err := json.Marshal(struct {
		Visit   int32
		Type    string
		Content any
	}{no, fmt.Sprintf("%T", content), content})
	if err != nil { // structs of numbers, strings and times
		panic("store: visit: " + err.Error())
	}
	sum := sha256.Sum256(b)
	return sum[:]
}

// before finds a write of the same key.
func (t *visitTx) before(ctx context.Context, sum []byte) (Written, error) {
	var no, ref *int32
	var had []byte
	err := t.QueryRow(ctx, `SELECT visit_no, ref, request_sha256 FROM visit_journal WHERE property_id = $1 AND request_key = $2`,
		t.num, t.w.Key).Scan(&no, &ref, &had)
	if isNoRows(err) {
		return Written{}, nil
	}
	if err != nil {
		return Written{}, err
	}
	if string(had) != string(sum) {
		return Written{}, conflict("the request key %.40q was used for something else", t.w.Key)
	}
	out := Written{Repeated: true}
	if no != nil {
		out.Visit = visit.ID(t.property, *no)
	}
	if ref != nil {
		out.Ref = *ref
	}
	return out, nil
}

func (t *visitTx) writeJournal(ctx context.Context, sum []byte) error {
	for i, e := range t.entries {
		var key, keySum any
		if i == 0 {
			key, keySum = t.w.Key, sum
		}
		detail, err := json.Marshal(e.detail)
		if err != nil || e.detail == nil {
			detail = []byte("{}")
		}
		_, err = t.Exec(ctx, `INSERT INTO visit_journal (property_id, visit_no, at, kind, actor, person_id, why, ref, detail, request_key, request_sha256)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`,
			t.num, zeroNull(t.visit.No), t.w.Now, e.kind, cutText(t.w.By, 200), zeroNull(t.w.Person), cutText(e.why, 1000), zeroNull(e.ref), detail, key, keySum)
		if err != nil {
			return err
		}
	}
	if t.visit.No == 0 {
		return nil
	}
	_, err := t.Exec(ctx, `UPDATE visit SET revision = revision + 1, changed_at = $3 WHERE property_id = $1 AND visit_no = $2`,
		t.num, t.visit.No, t.w.Now)
	return err
}

func zeroNull(n int32) any {
	if n == 0 {
		return nil
	}
	return n
}

// next is the number of the next row of a table that counts by property; the
// property is locked.
func (t *visitTx) next(ctx context.Context, table, column string) (no int32, err error) {
	err = t.QueryRow(ctx, `SELECT coalesce(max(`+column+`), 0) + 1 FROM `+table+` WHERE property_id = $1`, t.num).Scan(&no)
	return no, err
}

// must says that the visit is in a state that allows something.
func (t *visitTx) must(doing string, states ...visit.State) error {
	for _, s := range states {
		if t.visit.State == s {
			return nil
		}
	}
	return conflict("%s visit %s, which is %s", doing, t.visit.ID, t.visit.State)
}
