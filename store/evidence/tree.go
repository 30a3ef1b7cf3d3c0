package evidence

import (
	"fmt"

	"golang.org/x/mod/sumdb/tlog"
)

// Tree is the state of the log: how many records it has, and the hash over all
// of them (RFC 6962, section 2.1).
type Tree struct {
	Size int64
	Root [32]byte
}

// EmptyTree is the log without records; its hash is that of nothing.
func EmptyTree() Tree {
	root, err := tlog.TreeHash(0, nil)
	if err != nil { // reads nothing
		panic("evidence: empty tree: " + err.Error())
	}
	return Tree{Root: root}
}

// tileHeight: a full tile has 2^8 hashes.
const tileHeight = 8

// TileID names a tile: hashes No·256 … of the tree's level 8·Level.
type TileID struct {
	Level int
	No    int64
}

// Tile is a tile with its hashes, 32 bytes each, up to 256 of them. A tile that
// is not full grows; what it has stays.
type Tile struct {
	TileID
	Hashes []byte
}

// TileSource brings tiles in the order asked for, at their present length.
type TileSource func(ids []TileID) ([][]byte, error)

// tiles reads hashes out of tiles and holds every one of them against the tree.
type tiles struct {
	source TileSource
}

func (t tiles) Height() int { return tileHeight }

func (t tiles) ReadTiles(want []tlog.Tile) ([][]byte, error) {
	ids := make([]TileID, len(want))
	for i, w := range want {
		ids[i] = TileID{w.L, w.N}
	}
	got, err := t.source(ids)
	if err != nil {
		return nil, err
	}
	for i, w := range want {
		need := w.W * tlog.HashSize
		if len(got) != len(want) || len(got[i]) < need {
			return nil, fmt.Errorf("tile %d of level %d is missing or too short", w.N, w.L)
		}
		got[i] = got[i][:need]
	}
	return got, nil
}

func (t tiles) SaveTiles([]tlog.Tile, [][]byte) {}

// hashes reads the hashes of a tree, each proven to belong to it.
func (t Tree) hashes(source TileSource) tlog.HashReader {
	return tlog.TileHashReader(tlog.Tree{N: t.Size, Hash: t.Root}, tiles{source})
}

// overlay is a tree's hashes with those that were just added.
type overlay struct {
	known map[int64]tlog.Hash
	old   tlog.HashReader
}

func (o *overlay) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	var missing []int64
	for _, i := range indexes {
		if _, ok := o.known[i]; !ok {
			missing = append(missing, i)
		}
	}
	if len(missing) > 0 {
		got, err := o.old.ReadHashes(missing)
		if err != nil {
			return nil, err
		}
		for k, i := range missing {
			o.known[i] = got[k]
		}
	}
	out := make([]tlog.Hash, len(indexes))
	for k, i := range indexes {
		out[k] = o.known[i]
	}
	return out, nil
}

// Append adds leaves and returns the new tree with every tile that changed.
func (t Tree) Append(source TileSource, leaves [][32]byte) (Tree, []Tile, error) {
	if len(leaves) == 0 {
		return t, nil, nil
	}
	o := &overlay{known: make(map[int64]tlog.Hash, 2*len(leaves)), old: t.hashes(source)}
	for i, leaf := range leaves {
		n := t.Size + int64(i)
		stored, err := tlog.StoredHashesForRecordHash(n, leaf, o)
		if err != nil {
			return Tree{}, nil, fmt.Errorf("add record %d: %w", n, err)
		}
		first := tlog.StoredHashIndex(0, n)
		for k, h := range stored {
			o.known[first+int64(k)] = h
		}
	}
	size := t.Size + int64(len(leaves))
	root, err := tlog.TreeHash(size, o)
	if err != nil {
		return Tree{}, nil, fmt.Errorf("hash of %d records: %w", size, err)
	}
	changed, err := changedTiles(t.Size, size, o)
	if err != nil {
		return Tree{}, nil, err
	}
	return Tree{Size: size, Root: root}, changed, nil
}

func changedTiles(from, to int64, r tlog.HashReader) ([]Tile, error) {
	var out []Tile
	for _, t := range tlog.NewTiles(tileHeight, from, to) {
		data, err := tlog.ReadTileData(t, r)
		if err != nil {
			return nil, fmt.Errorf("tile %d of level %d: %w", t.N, t.L, err)
		}
		out = append(out, Tile{TileID{t.L, t.N}, data})
	}
	return out, nil
}

// ProveRecord lists the hashes that lead from a record's to the tree's, lowest
// first (RFC 6962, section 2.1.1).
func (t Tree) ProveRecord(source TileSource, index int64) ([][32]byte, error) {
	if index < 0 || index >= t.Size {
		return nil, fmt.Errorf("record %d of a log of %d", index, t.Size)
	}
	p, err := tlog.ProveRecord(t.Size, index, t.hashes(source))
	if err != nil {
		return nil, fmt.Errorf("prove record %d of %d: %w", index, t.Size, err)
	}
	return fromHashes(p), nil
}

// CheckRecord says whether the proof shows the leaf at its place in the tree.
func (t Tree) CheckRecord(index int64, leaf [32]byte, proof [][32]byte) error {
	if index < 0 || index >= t.Size {
		return fmt.Errorf("record %d of a log of %d", index, t.Size)
	}
	return tlog.CheckRecord(toHashes(proof), t.Size, t.Root, index, leaf)
}

// Former is the tree when it had only size records.
func (t Tree) Former(source TileSource, size int64) (Tree, error) {
	switch {
	case size < 0 || size > t.Size:
		return Tree{}, fmt.Errorf("the first %d records of a log of %d", size, t.Size)
	case size == 0:
		return EmptyTree(), nil
	}
	root, err := tlog.TreeHash(size, t.hashes(source))
	if err != nil {
		return Tree{}, fmt.Errorf("hash of the first %d records: %w", size, err)
	}
	return Tree{Size: size, Root: root}, nil
}

// ProveGrowth shows that t grew out of its first size records (RFC 6962,
// section 2.1.2). Everything grew out of nothing, and t out of itself.
func (t Tree) ProveGrowth(source TileSource, size int64) ([][32]byte, error) {
	switch {
	case size < 0 || size > t.Size:
		return nil, fmt.Errorf("consistency of %d records with a log of %d", size, t.Size)
	case size == 0 || size == t.Size:
		return nil, nil
	}
	p, err := tlog.ProveTree(t.Size, size, t.hashes(source))
	if err != nil {
		return nil, fmt.Errorf("prove the growth from %d to %d records: %w", size, t.Size, err)
	}
	return fromHashes(p), nil
}

// CheckGrowth says whether the proof shows that t grew out of old and nothing
// in old was changed.
func (t Tree) CheckGrowth(old Tree, proof [][32]byte) error {
	switch {
	case old.Size < 0 || old.Size > t.Size:
		return fmt.Errorf("the log had %d records and has %d now", old.Size, t.Size)
	case old.Size == 0 && len(proof) == 0:
		if old != EmptyTree() {
			return fmt.Errorf("a log of no records has another hash")
		}
		return nil
	case old.Size == t.Size:
		if len(proof) > 0 || old != t {
			return fmt.Errorf("two different logs of %d records", t.Size)
		}
		return nil
	}
	return tlog.CheckTree(toHashes(proof), t.Size, t.Root, old.Size, old.Root)
}

func fromHashes(p []tlog.Hash) [][32]byte {
	out := make([][32]byte, len(p))
	for i, h := range p {
		out[i] = h
	}
	return out
}

func toHashes(p [][32]byte) []tlog.Hash {
	out := make([]tlog.Hash, len(p))
	for i, h := range p {
		out[i] = h
	}
	return out
}

// VerifyTiles computes the whole tree anew from its lowest tiles and says which
// tile does not fit. It reads the tiles of a level in runs of 256.
func (t Tree) VerifyTiles(source TileSource) error {
	for level := 0; t.Size>>(tileHeight*level) > 0; level++ {
		if err := t.verifyLevel(source, level); err != nil {
			return err
		}
	}
	root, err := tlog.TreeHash(t.Size, t.hashes(source))
	if err != nil {
		return fmt.Errorf("hash of %d records: %w", t.Size, err)
	}
	if root != t.Root {
		return fmt.Errorf("the hash of %d records is %s, not %x", t.Size, root, t.Root)
	}
	return nil
}

// verifyLevel holds each full tile of a level against its hash in the level
// above.
func (t Tree) verifyLevel(source TileSource, level int) error {
	const run = 256
	full := t.Size >> (tileHeight * (level + 1))
	for first := int64(0); first < full; first += run {
		n := int(min(run, full-first))
		ids := []TileID{{level + 1, first / 256}}
		for i := range n {
			ids = append(ids, TileID{level, first + int64(i)})
		}
		data, err := source(ids)
		if err != nil {
			return fmt.Errorf("read tiles of level %d: %w", level, err)
		}
		for i := range n {
			if len(data) != n+1 || len(data[i+1]) != 256*tlog.HashSize || len(data[0]) < (i+1)*tlog.HashSize ||
				subtreeHash(data[i+1]) != tlog.Hash(data[0][i*tlog.HashSize:]) {
				return fmt.Errorf("tile %d of level %d does not fit the log", first+int64(i), level)
			}
		}
	}
	return nil
}

// subtreeHash is the hash over a full tile.
func subtreeHash(tile []byte) tlog.Hash {
	var level [256]tlog.Hash
	for i := range level {
		level[i] = tlog.Hash(tile[i*tlog.HashSize:])
	}
	for n := 128; n > 0; n /= 2 {
		for i := range n {
			level[i] = tlog.NodeHash(level[2*i], level[2*i+1])
		}
	}
	return level[0]
}
