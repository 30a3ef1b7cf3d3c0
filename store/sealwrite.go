package store

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/evidence"
)

// sealedRecord is a record on its way into the log.
type sealedRecord struct {
	property int32
	reg      *Registered
	day      *evidence.Day
	hash     [32]byte
	packed   evidence.Packed
	readings int
}

// recordOf writes a record's text, packs it, and makes sure that the packed form
// gives the text back before anything relies on it.
func recordOf(p *Registered, d *evidence.Day) (sealedRecord, error) {
	text, err := d.Text()
	if err != nil {
		return sealedRecord{}, err
	}
	c := sealedRecord{property: p.Num, reg: p, day: d, hash: evidence.LeafHash(text), readings: d.Count()}
	if c.packed, err = evidence.Pack(d); err != nil {
		return c, fmt.Errorf("pack %s of %s: %w", d.Date, p.ID, err)
	}
	if err := c.packed.Gives(d); err != nil {
		return c, fmt.Errorf("%s of %s is not itself any more after packing: %w", d.Date, p.ID, err)
	}
	return c, nil
}

// stageRecords stores records without a place in the log.
func (s *Store) stageRecords(ctx context.Context, records []sealedRecord) error {
	var d struct {
		nums, readings          []int32
		days                    []string
		amendments              []int16
		hashes, frames          [][]byte
		from, to                []time.Time
		unwitnessed             []bool
		blockNums               []int32
		points                  []string
		blockFrom               []time.Time
		gateways, blockAmending []int16
		data                    [][]byte
	}
	for i := range records {
		c := &records[i]
		d.nums, d.days, d.amendments = append(d.nums, c.property), append(d.days, c.day.Date.String()), append(d.amendments, int16(c.day.Amendment))
		d.hashes, d.frames = append(d.hashes, c.hash[:]), append(d.frames, c.packed.Frame)
		d.from, d.to = append(d.from, c.day.From), append(d.to, c.day.To)
		d.unwitnessed, d.readings = append(d.unwitnessed, c.day.Unwitnessed), append(d.readings, int32(c.readings))
		for _, b := range c.packed.Blocks {
			d.blockNums, d.points, d.blockFrom = append(d.blockNums, c.property), append(d.points, b.Point), append(d.blockFrom, c.day.From)
			d.gateways = append(d.gateways, c.reg.gatewayByName[b.Gateway])
			d.blockAmending, d.data = append(d.blockAmending, int16(c.day.Amendment)), append(d.data, b.Data)
		}
	}
	err := withTx(ctx, s.sealing, pgx.TxOptions{}, func(tx pgx.Tx) error {
		var q pgx.Batch
		q.Queue(`INSERT INTO sealed_day (property_id, day, amendment, leaf_sha256, from_at, to_at, unwitnessed, readings, frame)
			SELECT p, d::date, a, h, f, t, u, n, x FROM unnest($1::int4[], $2::text[], $3::int2[], $4::bytea[], $5::timestamptz[], $6::timestamptz[],
				$7::bool[], $8::int4[], $9::bytea[]) r(p, d, a, h, f, t, u, n, x)`,
			d.nums, d.days, d.amendments, d.hashes, d.from, d.to, d.unwitnessed, d.readings, d.frames)
		q.Queue(`INSERT INTO sealed_block (property_id, point, from_at, gateway_id, amendment, data)
			SELECT * FROM unnest($1::int4[], $2::text[], $3::timestamptz[], $4::int2[], $5::int2[], $6::bytea[])`,
			d.blockNums, d.points, d.blockFrom, d.gateways, d.blockAmending, d.data)
		return tx.SendBatch(ctx, &q).Close()
	})
	if err != nil {
		return fmt.Errorf("stage %d records: %w", len(records), err)
	}
	return nil
}

// discardStaged removes what another run staged and did not put into the log.
func (s *Store) discardStaged(ctx context.Context) error {
	err := withTx(ctx, s.sealing, pgx.TxOptions{}, func(tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `WITH gone AS (DELETE FROM sealed_day WHERE leaf_no IS NULL RETURNING property_id, from_at, amendment)
			DELETE FROM sealed_block b USING gone g WHERE b.property_id = g.property_id AND b.from_at = g.from_at AND b.amendment = g.amendment`)
		return err
	})
	if err != nil {
		return fmt.Errorf("discard what was staged before: %w", err)
	}
	return nil
}

// swap gives the staged records their places and puts a new head in place of the
// one that it was made from, signed. All of it or nothing.
func (r *sealRun) swap(ctx context.Context) error {
	var next evidence.Tree
	err := r.write("swap", func() error {
		return withTx(ctx, r.s.sealing, pgx.TxOptions{}, func(tx pgx.Tx) (err error) {
			next, err = r.swapIn(ctx, tx)
			return err
		})
	})
	if err != nil {
		return fmt.Errorf("add %d records to the log: %w", len(r.staged), err)
	}
	r.head, r.exists = next, true
	return nil
}

func (r *sealRun) swapIn(ctx context.Context, tx pgx.Tx) (evidence.Tree, error) {
	head, _, err := logTree(ctx, tx, true)
	if err != nil {
		return head, err
	}
	if head != r.head {
		return head, conflict("the log has %d records, and had %d when this run began", head.Size, r.head.Size)
	}
	notes, err := r.newKeys(ctx, tx)
	if err != nil {
		return head, err
	}
	var leaves [][32]byte
	for _, text := range notes {
		leaves = append(leaves, evidence.LeafHash([]byte(text)))
	}
	staged, err := r.takeStaged(ctx, tx)
	if err != nil {
		return head, err
	}
	if leaves = append(leaves, staged...); len(leaves) == 0 {
		return head, nil
	}
	source := logTiles(ctx, tx)
	next, tiles, err := head.Append(source, leaves)
	if err != nil {
		return head, badLog("%w", err)
	}
	signed, err := evidence.Sign(next, r.o.Keys.signers(r.now)...)
	if err != nil {
		return head, err
	}
	return next, r.writeHead(ctx, tx, next, tiles, notes, signed)
}

// newKeys are records of those keys that the log does not know yet.
func (r *sealRun) newKeys(ctx context.Context, tx pgx.Tx) ([]string, error) {
	rows, err := tx.Query(ctx, `SELECT text FROM log_note`)
	if err != nil {
		return nil, fmt.Errorf("keys of the log: %w", err)
	}
	have, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return nil, fmt.Errorf("keys of the log: %w", err)
	}
	var out []string
	public := r.o.Keys.Public(r.now)
	slices.Reverse(public) // oldest first
	for _, key := range public {
		if !slices.ContainsFunc(have, func(text string) bool { return strings.Contains(text, "\nkey "+key+"\n") }) {
			out = append(out, keyRecord(r.o.Keys.Origin(), key, r.now))
		}
	}
	return out, nil
}

// takeStaged numbers the staged records by day, property and amendment and
// returns their hashes in that order. They must be those of this run.
func (r *sealRun) takeStaged(ctx context.Context, tx pgx.Tx) ([][32]byte, error) {
	rows, err := tx.Query(ctx, `SELECT property_id, day::text, amendment, leaf_sha256 FROM sealed_day WHERE leaf_no IS NULL`)
	if err != nil {
		return nil, fmt.Errorf("staged records: %w", err)
	}
	found := map[sealKey][32]byte{}
	var k sealKey
	var hash []byte
	if _, err := pgx.ForEachRow(rows, []any{&k.property, &k.day, &k.amendment, &hash}, func() error {
		found[k] = [32]byte(hash)
		return nil
	}); err != nil {
		return nil, fmt.Errorf("staged records: %w", err)
	}
	if !maps.Equal(found, r.staged) {
		return nil, conflict("another process staged records too: %d here, %d in the database", len(r.staged), len(found))
	}
	keys := slices.SortedFunc(maps.Keys(found), compareSealKeys)
	first := r.head.Size
	if notes, err := r.newKeys(ctx, tx); err != nil {
		return nil, err
	} else {
		first += int64(len(notes))
	}
	var nums []int32
	var days []string
	var amendments []int16
	var places []int64
	var out [][32]byte
	for i, k := range keys {
		nums, days, amendments = append(nums, k.property), append(days, k.day), append(amendments, int16(k.amendment))
		places, out = append(places, first+int64(i)), append(out, found[k])
	}
	tag, err := tx.Exec(ctx, `UPDATE sealed_day s SET leaf_no = u.n FROM unnest($1::int4[], $2::text[], $3::int2[], $4::int8[]) u(p, d, a, n)
		WHERE s.property_id = u.p AND s.day = u.d::date AND s.amendment = u.a AND s.leaf_no IS NULL`, nums, days, amendments, places)
	if err != nil {
		return nil, fmt.Errorf("number records: %w", err)
	}
	if int(tag.RowsAffected()) != len(keys) {
		return nil, conflict("%d of %d records were numbered", tag.RowsAffected(), len(keys))
	}
	return out, nil
}

func compareSealKeys(a, b sealKey) int {
	if c := strings.Compare(a.day, b.day); c != 0 {
		return c
	}
	if a.property != b.property {
		return int(a.property) - int(b.property)
	}
	return a.amendment - b.amendment
}

func (r *sealRun) writeHead(ctx context.Context, tx pgx.Tx, next evidence.Tree, tiles []evidence.Tile, notes []string, signed []byte) error {
	var levels []int16
	var numbers, noteNumbers []int64
	var hashes [][]byte
	for _, t := range tiles {
		levels, numbers, hashes = append(levels, int16(t.Level)), append(numbers, t.No), append(hashes, t.Hashes)
	}
	for i := range notes {
		noteNumbers = append(noteNumbers, r.head.Size+int64(i))
	}
	swap := `UPDATE log_head SET size = $1, root = $2 WHERE size = $3 AND root = $4`
	if !r.exists {
		swap = `INSERT INTO log_head (size, root) SELECT $1::int8, $2::bytea WHERE $3::int8 = 0 AND $4::bytea IS NOT NULL`
	}
	tag, err := tx.Exec(ctx, swap, next.Size, next.Root[:], r.head.Size, r.head.Root[:])
	if err != nil {
		return fmt.Errorf("swap the head: %w", err)
	}
	if tag.RowsAffected() != 1 {
		return conflict("the head of the log was changed by another process")
	}
	var q pgx.Batch
	q.Queue(`INSERT INTO log_tile (level, tile_no, hashes) SELECT * FROM unnest($1::int2[], $2::int8[], $3::bytea[])
		ON CONFLICT (level, tile_no) DO UPDATE SET hashes = excluded.hashes`, levels, numbers, hashes)
	q.Queue(`INSERT INTO log_note (leaf_no, text) SELECT * FROM unnest($1::int8[], $2::text[])`, noteNumbers, notes)
	q.Queue(`INSERT INTO log_checkpoint (size, signed, signed_at) VALUES ($1, $2, $3)`, next.Size, signed, r.now)
	if err := tx.SendBatch(ctx, &q).Close(); err != nil {
		return fmt.Errorf("write tiles and checkpoint: %w", err)
	}
	return nil
}

// publish keeps the latest checkpoint outside the database, and only then shows
// it: what anyone was shown can be held against the database ever after.
func (r *sealRun) publish(ctx context.Context) error {
	if !r.exists {
		return nil
	}
	var signed []byte
	var published bool
	err := r.s.sealing.QueryRow(ctx, `SELECT signed, published FROM log_checkpoint WHERE size = $1`, r.head.Size).Scan(&signed, &published)
	if err != nil {
		return fmt.Errorf("checkpoint of %d records: %w", r.head.Size, err)
	}
	kept, promised, err := r.o.Keys.Kept()
	if err != nil {
		return badLog("%w", err)
	}
	if !promised || kept.Tree != r.head {
		if err := r.write("keep", func() error { return r.o.Keys.keep(signed) }); err != nil {
			return err
		}
	}
	if published {
		return nil
	}
	return r.write("publish", func() error {
		if _, err := r.s.sealing.Exec(ctx, `UPDATE log_checkpoint SET published = true WHERE size = $1`, r.head.Size); err != nil {
			return fmt.Errorf("publish the checkpoint of %d records: %w", r.head.Size, err)
		}
		return nil
	})
}
