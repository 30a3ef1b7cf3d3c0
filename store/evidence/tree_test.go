package evidence

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"testing"

	"github.com/transparency-dev/merkle/proof"
	"github.com/transparency-dev/merkle/rfc6962"
	"pgregory.net/rapid"
)

// memoryLog is a log in memory.
type memoryLog struct {
	tree   Tree
	tiles  map[TileID][]byte
	leaves [][32]byte
}

func newLog() *memoryLog { return &memoryLog{tree: EmptyTree(), tiles: map[TileID][]byte{}} }

func (l *memoryLog) source(ids []TileID) ([][]byte, error) {
	out := make([][]byte, len(ids))
	for i, id := range ids {
		out[i] = l.tiles[id]
	}
	return out, nil
}

func (l *memoryLog) add(tb interface{ Fatal(...any) }, leaves ...[32]byte) {
	next, tiles, err := l.tree.Append(l.source, leaves)
	if err != nil {
		tb.Fatal(err)
	}
	for _, t := range tiles {
		l.tiles[t.TileID] = t.Hashes
	}
	l.tree, l.leaves = next, append(l.leaves, leaves...)
}

// vectorLeaves are the eight inputs of the test vectors that the reference
// implementation of RFC 6962 was published with.
var vectorLeaves = []string{"", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f"}

// vectorRoots are the hashes of the first n of them.
var vectorRoots = []string{
	"e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
	"6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
	"fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
	"aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
	"d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
	"4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
	"76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
	"ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
	"5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
}

func unhex(s string) []byte {
	b, err := hex.DecodeString(s)
	if err != nil {
		panic(err)
	}
	return b
}

func hashes(list ...string) (out [][32]byte) {
	for _, s := range list {
		out = append(out, [32]byte(unhex(s)))
	}
	return out
}

// vectorLog is the log of the vectors, grown one by one; trees[n] has n leaves.
func vectorLog(t *testing.T) (l *memoryLog, trees []Tree) {
	t.Helper()
	l = newLog()
	trees = append(trees, l.tree)
	for _, leaf := range vectorLeaves {
		l.add(t, LeafHash(unhex(leaf)))
		trees = append(trees, l.tree)
	}
	return l, trees
}

func TestRootsOfRFC6962(t *testing.T) {
	t.Parallel()
	_, trees := vectorLog(t)
	for n, want := range vectorRoots {
		if got := hex.EncodeToString(trees[n].Root[:]); got != want {
			t.Errorf("%d leaves: %s, want %s", n, got, want)
		}
	}
	if h := LeafHash([]byte("L123456")); hex.EncodeToString(h[:]) != "395aa064aa4c29f7010acfe3f25db9485bbd4b91897b6ad7ad547639252b4d56" {
		t.Errorf("leaf L123456: %x", h)
	}
}

// TestProofsOfRFC6962: inclusion and consistency proofs published with the
// reference implementation.
func TestProofsOfRFC6962(t *testing.T) {
	t.Parallel()
	l, trees := vectorLog(t)
	const (
		a = "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7"
		b = "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e"
		c = "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4"
		d = "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0"
		e = "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b"
		f = "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a"
		g = "b08693ec2e721597130641e8211e7eedccb4c26413963eee6c1e2ed16ffb1a5f"
	)
	for _, p := range []struct {
		index, size int64
		want        [][32]byte
	}{
		{0, 8, hashes(a, b, c)}, {5, 8, hashes(e, d, vectorRoots[4])}, {2, 3, hashes(vectorRoots[2])}, {1, 5, hashes(vectorRoots[1], b, e)},
	} {
		got, err := trees[p.size].ProveRecord(l.source, p.index)
		if err != nil || !slices.Equal(got, p.want) {
			t.Errorf("inclusion of %d in %d: %x, %v", p.index, p.size, got, err)
		}
	}
	for _, p := range []struct {
		from, to int64
		want     [][32]byte
	}{
		{1, 8, hashes(a, b, c)}, {6, 8, hashes(f, d, vectorRoots[4])}, {2, 5, hashes(b, e)}, {6, 7, hashes(f, g, vectorRoots[4])}, {8, 8, nil}, {0, 8, nil},
	} {
		got, err := trees[p.to].ProveGrowth(l.source, p.from)
		if err != nil || !slices.Equal(got, p.want) {
			t.Errorf("growth from %d to %d: %x, %v", p.from, p.to, got, err)
		}
		if err := trees[p.to].CheckGrowth(trees[p.from], got); err != nil {
			t.Errorf("growth from %d to %d: %v", p.from, p.to, err)
		}
	}
}

// spoilt are wrong variants of a proof.
func spoilt(p [][32]byte) (out [][][32]byte) {
	junk := sha256.Sum256([]byte("junk"))
	out = append(out, append([][32]byte{junk}, p...), append(slices.Clone(p), junk))
	if len(p) > 0 {
		out = append(out, nil, p[1:], p[:len(p)-1])
	}
	for i := range p {
		q := slices.Clone(p)
		q[i][i%32] ^= 1
		out = append(out, q)
	}
	return out
}

// TestProofsAgreeWithAnotherLibrary: every proof of a random log, and every
// spoilt one, is judged alike by github.com/transparency-dev/merkle.
func TestProofsAgreeWithAnotherLibrary(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		l := newLog()
		var trees []Tree
		trees = append(trees, l.tree)
		for i, n := range rapid.SliceOfN(rapid.IntRange(1, 400), 1, 4).Draw(t, "batches") {
			var leaves [][32]byte
			for k := range n {
				leaves = append(leaves, LeafHash(fmt.Appendf(nil, "%d/%d", i, k)))
			}
			l.add(t, leaves...)
			trees = append(trees, l.tree)
		}
		if err := l.tree.VerifyTiles(l.source); err != nil {
			t.Fatal(err)
		}
		tree := trees[rapid.IntRange(1, len(trees)-1).Draw(t, "tree")]
		index := rapid.Int64Range(0, tree.Size-1).Draw(t, "index")
		checkInclusion(t, l, tree, index)
		checkGrowth(t, l, trees[rapid.IntRange(0, len(trees)-1).Draw(t, "old tree")], tree)
	})
}

func checkInclusion(t *rapid.T, l *memoryLog, tree Tree, index int64) {
	leaf := l.leaves[index]
	p, err := tree.ProveRecord(l.source, index)
	if err != nil {
		t.Fatal(err)
	}
	other := func(index int64, leaf [32]byte, p [][32]byte) error {
		return proof.VerifyInclusion(rfc6962.DefaultHasher, uint64(index), uint64(tree.Size), leaf[:], raw(p), tree.Root[:])
	}
	if err := other(index, leaf, p); err != nil {
		t.Fatalf("the other library refuses: %v", err)
	}
	for _, q := range append(spoilt(p), p) {
		for _, i := range []int64{index, index + 1, index - 1, index ^ 1, 2 * index} {
			if i < 0 {
				continue
			}
			if ours, theirs := tree.CheckRecord(i, leaf, q), other(i, leaf, q); (ours == nil) != (theirs == nil) {
				t.Fatalf("record %d as %d of %d: ours says %v, theirs %v", index, i, tree.Size, ours, theirs)
			}
		}
	}
	text := RecordProof{Leaf: index, Size: tree.Size, Hash: leaf, Path: p}
	written, err := text.Text()
	if err != nil {
		t.Fatal(err)
	}
	if back, err := ParseRecordProof(written); err != nil || back.Leaf != index || !slices.Equal(back.Path, p) {
		t.Fatal(back, err)
	}
}

func checkGrowth(t *rapid.T, l *memoryLog, old, tree Tree) {
	if old.Size > tree.Size {
		if _, err := tree.ProveGrowth(l.source, old.Size); err == nil {
			t.Fatal("proves that a log shrank")
		}
		return
	}
	p, err := tree.ProveGrowth(l.source, old.Size)
	if err != nil {
		t.Fatal(err)
	}
	if err := tree.CheckGrowth(old, p); err != nil {
		t.Fatal(err)
	}
	wrong := old
	wrong.Root[3] ^= 4
	if tree.CheckGrowth(wrong, p) == nil {
		t.Fatal("a rewritten log passes")
	}
	if old.Size == 0 {
		return // says nothing to the other library
	}
	for _, q := range append(spoilt(p), p) {
		theirs := proof.VerifyConsistency(rfc6962.DefaultHasher, uint64(old.Size), uint64(tree.Size), raw(q), old.Root[:], tree.Root[:])
		if ours := tree.CheckGrowth(old, q); (ours == nil) != (theirs == nil) {
			t.Fatalf("growth from %d to %d: ours says %v, theirs %v", old.Size, tree.Size, ours, theirs)
		}
	}
}

func raw(p [][32]byte) [][]byte {
	out := make([][]byte, len(p))
	for i := range p {
		out[i] = p[i][:]
	}
	return out
}

// TestSpoiltTilesAreFound: of a log of two full tiles and a bit, every hash in
// every tile.
func TestSpoiltTilesAreFound(t *testing.T) {
	t.Parallel()
	l := newLog()
	var leaves [][32]byte
	for i := range 600 {
		leaves = append(leaves, LeafHash(fmt.Append(nil, i)))
	}
	l.add(t, leaves...)
	if err := l.tree.VerifyTiles(l.source); err != nil {
		t.Fatal(err)
	}
	for id, data := range l.tiles {
		for i := 0; i < len(data); i += 32 {
			data[i] ^= 1
			if l.tree.VerifyTiles(l.source) == nil {
				t.Errorf("tile %+v, hash %d: not found", id, i/32)
			}
			data[i] ^= 1
		}
		l.tiles[id] = data[:len(data)-32]
		if l.tree.VerifyTiles(l.source) == nil {
			t.Errorf("tile %+v: not found to be too short", id)
		}
		l.tiles[id] = data
	}
}
