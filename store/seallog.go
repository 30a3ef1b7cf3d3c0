package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/evidence"
)

// ErrLog: the evidence log does not verify. Nothing may be added to it, and
// nothing signed, before a person has looked.
var ErrLog = errors.New("the evidence log does not verify")

func badLog(format string, args ...any) error {
	return fmt.Errorf("%w: %w", ErrLog, fmt.Errorf(format, args...))
}

// queryer is a pool or a transaction.
type queryer interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
}

// logTree is the head of the log; false when there is none yet.
func logTree(ctx context.Context, q queryer, lock bool) (evidence.Tree, bool, error) {
	sql := `SELECT size, root FROM log_head`
	if lock {
		sql += ` FOR UPDATE`
	}
	var t evidence.Tree
	var root []byte
	err := q.QueryRow(ctx, sql).Scan(&t.Size, &root)
	if isNoRows(err) {
		return evidence.EmptyTree(), false, nil
	}
	if err != nil {
		return t, false, fmt.Errorf("read the head of the log: %w", err)
	}
	t.Root = [32]byte(root)
	return t, true, nil
}

// logTiles brings tiles of the log.
func logTiles(ctx context.Context, q queryer) evidence.TileSource {
	return func(ids []evidence.TileID) ([][]byte, error) {
		levels, numbers := make([]int16, len(ids)), make([]int64, len(ids))
		for i, id := range ids {
			levels[i], numbers[i] = int16(id.Level), id.No
		}
		rows, err := q.Query(ctx, `SELECT coalesce(t.hashes, '') FROM unnest($1::int2[], $2::int8[]) WITH ORDINALITY u(l, n, i)
			LEFT JOIN log_tile t ON t.level = u.l AND t.tile_no = u.n ORDER BY u.i`, levels, numbers)
		if err != nil {
			return nil, fmt.Errorf("read tiles of the log: %w", err)
		}
		out, err := pgx.CollectRows(rows, pgx.RowTo[[]byte])
		if err != nil {
			return nil, fmt.Errorf("read tiles of the log: %w", err)
		}
		return out, nil
	}
}

// keyRecord is what the log says of a key that signs it.
func keyRecord(origin, public string, from time.Time) string {
	return fmt.Sprintf("underkeep log key 1\norigin %s\nkey %s\nfrom %s\nend\n", origin, public, from.UTC().Format(time.RFC3339))
}

// EvidenceKeys are the public keys of the log, newest first, as it says itself.
// ErrNotFound before there is a log.
func (s *Store) EvidenceKeys(ctx context.Context) ([]string, error) {
	rows, err := s.api.Query(ctx, `SELECT text FROM log_note ORDER BY leaf_no DESC`)
	if err != nil {
		return nil, fmt.Errorf("keys of the log: %w", err)
	}
	notes, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return nil, fmt.Errorf("keys of the log: %w", err)
	}
	var out []string
	for _, text := range notes {
		for line := range strings.Lines(text) {
			if key, ok := strings.CutPrefix(line, "key "); ok {
				out = append(out, strings.TrimSpace(key))
			}
		}
	}
	if len(out) == 0 {
		return nil, notFound("keys of the log")
	}
	return out, nil
}

// PublishedCheckpoint is the latest checkpoint that may be shown; ErrNotFound
// before there is one.
func (s *Store) PublishedCheckpoint(ctx context.Context) ([]byte, error) {
	var signed []byte
	err := s.api.QueryRow(ctx, `SELECT signed FROM log_checkpoint WHERE published ORDER BY size DESC LIMIT 1`).Scan(&signed)
	if isNoRows(err) {
		return nil, notFound("checkpoint of the log")
	}
	if err != nil {
		return nil, fmt.Errorf("checkpoint of the log: %w", err)
	}
	return signed, nil
}

// ConsistencyProof shows that the log of to records grew out of its first from,
// to at most as long as the latest checkpoint that was shown.
func (s *Store) ConsistencyProof(ctx context.Context, from, to int64) ([][32]byte, error) {
	var proof [][32]byte
	err := withTx(ctx, s.api, oneSnapshot, func(tx pgx.Tx) error {
		var shown int64
		if err := tx.QueryRow(ctx, `SELECT coalesce(max(size), 0) FROM log_checkpoint WHERE published`).Scan(&shown); err != nil {
			return fmt.Errorf("checkpoints of the log: %w", err)
		}
		if from < 0 || to < from || to > shown {
			return invalid("consistency of %d with %d records of %d", from, to, shown)
		}
		head, _, err := logTree(ctx, tx, false)
		if err != nil {
			return err
		}
		proof, err = proveGrowth(head, logTiles(ctx, tx), from, to)
		return err
	})
	return proof, err
}

// oneSnapshot sees one state of the database throughout and changes nothing.
var oneSnapshot = pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}

// proveGrowth between two former sizes of a log.
func proveGrowth(head evidence.Tree, source evidence.TileSource, from, to int64) ([][32]byte, error) {
	old, err := head.Former(source, to)
	if err != nil {
		return nil, err
	}
	return old.ProveGrowth(source, from)
}

// verifyTree shows that the log is whole: that the tiles give the head's hash,
// that each record has its place in them, and that it grew out of what was
// promised.
func verifyTree(ctx context.Context, q queryer, keys *Keyring) (evidence.Tree, error) {
	head, found, err := logTree(ctx, q, false)
	if err != nil {
		return head, err
	}
	kept, promised, err := keys.Kept()
	if err != nil {
		return head, badLog("%w", err)
	}
	if !found {
		if promised {
			return head, badLog("the database has none, and %d records were promised: it is not the one that they were in", kept.Size)
		}
		return head, nil
	}
	source := logTiles(ctx, q)
	if err := head.VerifyTiles(source); err != nil {
		return head, badLog("%w", err)
	}
	if err := verifyHead(ctx, q, keys, head); err != nil {
		return head, err
	}
	if promised {
		if err := verifyPromise(head, source, kept.Tree); err != nil {
			return head, err
		}
	}
	return head, verifyLeaves(ctx, q, head, source)
}

// verifyHead: the head is signed by a key of ours.
func verifyHead(ctx context.Context, q queryer, keys *Keyring, head evidence.Tree) error {
	var signed []byte
	if err := q.QueryRow(ctx, `SELECT signed FROM log_checkpoint WHERE size = $1`, head.Size).Scan(&signed); err != nil {
		return badLog("the checkpoint of %d records: %w", head.Size, err)
	}
	all, err := keys.all()
	if err != nil {
		return err
	}
	c, err := evidence.OpenCheckpoint(signed, all)
	if err != nil {
		return badLog("%w", err)
	}
	if c.Tree != head {
		return badLog("the checkpoint says %d records, %x; the head %d, %x", c.Size, c.Root, head.Size, head.Root)
	}
	return nil
}

// verifyPromise: the log grew out of the checkpoint that was kept outside the
// database.
func verifyPromise(head evidence.Tree, source evidence.TileSource, kept evidence.Tree) error {
	if kept.Size > head.Size {
		return badLog("it has %d records, and %d were promised: the database was restored from an older state, or rolled back", head.Size, kept.Size)
	}
	proof, err := head.ProveGrowth(source, kept.Size)
	if err == nil {
		err = head.CheckGrowth(kept, proof)
	}
	if err != nil {
		return badLog("it did not grow out of the %d records that were promised: %w", kept.Size, err)
	}
	return nil
}

// verifyLeaves: every record has its place, and every place its record.
func verifyLeaves(ctx context.Context, q queryer, head evidence.Tree, source evidence.TileSource) error {
	const run = 16 * 256
	for first := int64(0); first < head.Size; first += run {
		n := min(run, head.Size-first)
		var ids []evidence.TileID
		for t := first / 256; t <= (first+n-1)/256; t++ {
			ids = append(ids, evidence.TileID{Level: 0, No: t})
		}
		tiles, err := source(ids)
		if err != nil {
			return err
		}
		leaves, err := leavesFrom(ctx, q, first, n)
		if err != nil {
			return err
		}
		for i := range n {
			tile := tiles[i/256]
			if at := 32 * (i % 256); int64(len(tile)) < at+32 || leaves[i] != [32]byte(tile[at:at+32]) {
				return badLog("record %d is missing, or not the one that was sealed", first+i)
			}
		}
	}
	return nil
}

// leavesFrom lists the hashes of records as the tables have them; zero where a
// record is missing.
func leavesFrom(ctx context.Context, q queryer, first, n int64) ([][32]byte, error) {
	out := make([][32]byte, n)
	rows, err := q.Query(ctx, `SELECT leaf_no, leaf_sha256, '' FROM sealed_day WHERE leaf_no >= $1 AND leaf_no < $2
		UNION ALL SELECT leaf_no, ''::bytea, text FROM log_note WHERE leaf_no >= $1 AND leaf_no < $2`, first, first+n)
	if err != nil {
		return nil, fmt.Errorf("records of the log: %w", err)
	}
	var no int64
	var hash []byte
	var text string
	_, err = pgx.ForEachRow(rows, []any{&no, &hash, &text}, func() error {
		if len(hash) == 32 {
			out[no-first] = [32]byte(hash)
		} else {
			out[no-first] = evidence.LeafHash([]byte(text))
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("records of the log: %w", err)
	}
	return out, nil
}
