package evidence

import (
	"archive/zip"
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	mathrand "math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"
	"pgregory.net/rapid"

	"underkeep/store/site"
)

func newKey(t testing.TB, origin string) (note.Signer, string) {
	t.Helper()
	secret, public, err := note.GenerateKey(rand.Reader, origin)
	if err != nil {
		t.Fatal(err)
	}
	s, err := note.NewSigner(secret)
	if err != nil {
		t.Fatal(err)
	}
	return s, public
}

func keysOf(t testing.TB, public string) Keys {
	t.Helper()
	k, err := ParseKeys(public)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// sealed is a log with a few days of heron-07 among others.
type sealed struct {
	log    *memoryLog
	also   []byte   // a day of heron-07 before the period, the last in the log
	texts  [][]byte // of heron-07
	leaves []int64
	signer note.Signer
	public string
}

const descriptionFile = "property: heron-07\n"

// smallDay has few readings, so that every bit of a bundle can be tried.
func smallDay(date site.Date, previous [32]byte) *Day {
	d := goldenDay()
	d.Date, d.Previous = date, previous
	d.From = d.Date.In(time.UTC).Add(5 * time.Hour)
	d.To = d.From.Add(24 * time.Hour)
	d.Description.SHA256 = sha256.Sum256([]byte(descriptionFile))
	d.Contacts, d.Deaf, d.Journal, d.Quarantine, d.Sections = nil, nil, nil, nil, nil
	at := d.From.Add(time.Hour).UnixMicro()
	d.Blocks = []Block{{Point: "sump", Gateway: "main", Quantities: []site.Quantity{site.PumpRun}, At: []int64{at}, Received: []int64{at + 1e6}, Values: [][]float64{{31.5}}}}
	return d
}

func sealSmall(t testing.TB, change func(*Day)) *sealed {
	t.Helper()
	s := &sealed{log: newLog()}
	s.signer, s.public = newKey(t, "example.org/log")
	before := smallDay(site.Date{Year: 2026, Month: 2, Day: 20}, [32]byte{})
	before.Sections = []Section{{"verdict-sensor-checks", []string{`{"id":"heron-07.c1"}`}}}
	var err error
	if s.also, err = before.Text(); err != nil {
		t.Fatal(err)
	}
	first := site.Date{Year: 2026, Month: 3, Day: 2}
	var previous [32]byte
	put := func(d *Day) [32]byte {
		if change != nil {
			change(d)
		}
		text, err := d.Text()
		if err != nil {
			t.Fatal(err)
		}
		s.log.add(t, LeafHash([]byte("another house")), LeafHash(text))
		s.texts, s.leaves = append(s.texts, text), append(s.leaves, s.log.tree.Size-1)
		return LeafHash(text)
	}
	for i := range 2 {
		previous = put(smallDay(first.AddDays(i), previous))
	}
	late := smallDay(first.AddDays(1), previous)
	late.Amendment, late.Unwitnessed = 1, true
	late.Blocks[0].At[0]++
	late.Blocks[0].Received[0] = late.WitnessedUntil().UnixMicro()
	put(late)
	s.log.add(t, LeafHash(s.also))
	return s
}

// sealedSmall is how many records sealSmall puts before the one of a day before
// the period.
const sealedSmall = 6

func (s *sealed) bundle(t testing.TB) *Bundle {
	t.Helper()
	b := &Bundle{Property: "heron-07", From: site.Date{Year: 2026, Month: 3, Day: 2}, Through: site.Date{Year: 2026, Month: 3, Day: 4},
		Missing: []site.Date{{Year: 2026, Month: 3, Day: 4}}, Keys: keysOf(t, s.public),
		Descriptions: map[[32]byte][]byte{sha256.Sum256([]byte(descriptionFile)): []byte(descriptionFile)},
		Extra:        []File{{"terms/standard-60.yaml", []byte("terms\n")}, {"verdict/verdict.json", []byte("{}\n")}}}
	var err error
	if b.Checkpoint, err = Sign(s.log.tree, s.signer); err != nil {
		t.Fatal(err)
	}
	for i, text := range s.texts {
		path, err := s.log.tree.ProveRecord(s.log.source, s.leaves[i])
		if err != nil {
			t.Fatal(err)
		}
		b.Records = append(b.Records, BundleRecord{text, RecordProof{s.leaves[i], s.log.tree.Size, LeafHash(text), path}})
	}
	path, err := s.log.tree.ProveRecord(s.log.source, sealedSmall)
	if err != nil {
		t.Fatal(err)
	}
	b.Also = []BundleRecord{{s.also, RecordProof{sealedSmall, s.log.tree.Size, LeafHash(s.also), path}}}
	return b
}

func (r *BundleRecord) date(t testing.TB) site.Date {
	t.Helper()
	head, err := ParseHead(r.Text)
	if err != nil {
		t.Fatal(err)
	}
	return head.Date
}

func dates(from site.Date, n int) (out []site.Date) {
	for i := range n {
		out = append(out, from.AddDays(i))
	}
	return out
}

func build(t testing.TB, b *Bundle) []byte {
	t.Helper()
	data, err := BuildBundle(b)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func verify(data []byte, keys Keys) (*Verified, error) {
	b, err := OpenBundle(data)
	if err != nil {
		return nil, err
	}
	return VerifyLog(b, keys)
}

func TestBundleVerifies(t *testing.T) {
	t.Parallel()
	s := sealSmall(t, nil)
	data := build(t, s.bundle(t))
	if again := build(t, s.bundle(t)); !bytes.Equal(data, again) {
		t.Error("the same bundle gave other bytes")
	}
	v, err := verify(data, keysOf(t, s.public))
	if err != nil {
		t.Fatal(err)
	}
	if len(v.Days) != 3 || v.Readings != 3 || !v.Missing(site.Date{Year: 2026, Month: 3, Day: 4}) || v.Checkpoint.Size != sealedSmall+1 || len(v.Also) != 1 || !v.Days[2].Unwitnessed {
		t.Errorf("%s", v)
	}
	_, other := newKey(t, "example.org/log")
	var where *FileError
	if _, err := verify(data, keysOf(t, other)); !errors.As(err, &where) || where.File != "checkpoint.txt" {
		t.Errorf("with another key: %v", err)
	}
}

// TestEveryBitOfTheBundleCounts flips each bit of the content of each file, and
// expects that file, or the list of sums, to be named.
func TestEveryBitOfTheBundleCounts(t *testing.T) {
	t.Parallel()
	s := sealSmall(t, nil)
	keys := keysOf(t, s.public)
	files, err := ReadZip(build(t, s.bundle(t)))
	if err != nil {
		t.Fatal(err)
	}
	for i := range files {
		content := files[i].Content
		for k := range content {
			for bit := range 8 {
				files[i].Content = bytes.Clone(content)
				files[i].Content[k] ^= 1 << bit
				data, err := WriteZip(files)
				if err != nil {
					t.Fatal(err)
				}
				var where *FileError
				if _, err := verify(data, keys); !errors.As(err, &where) || where.File != files[i].Name && files[i].Name != fileSums {
					t.Fatalf("%s, byte %d, bit %d: %v", files[i].Name, k, bit, err)
				}
			}
		}
		files[i].Content = content
	}
}

// TestForgedBundles: whoever makes the sums fit still has no proof.
func TestForgedBundles(t *testing.T) {
	t.Parallel()
	s := sealSmall(t, nil)
	forged := sealSmall(t, func(d *Day) { d.Blocks[0].Values[0][0] = 30 })
	for name, c := range map[string]struct {
		file   string
		change func(*Bundle)
	}{
		"a reading changed": {"days/2026-03-02.txt.gz", func(b *Bundle) { b.Records[0].Text = forged.texts[0] }},
		"a reading and its hash": {"proofs/2026-03-02.txt", func(b *Bundle) {
			b.Records[0].Text = forged.texts[0]
			b.Records[0].Proof.Hash = LeafHash(forged.texts[0])
		}},
		"another place":  {"proofs/2026-03-02.txt", func(b *Bundle) { b.Records[0].Proof.Leaf ^= 2 }},
		"a day left out": {"bundle.txt", func(b *Bundle) { b.Records = b.Records[1:] }},
		"a day called missing": {"days/2026-03-03.txt.gz", func(b *Bundle) {
			b.From = b.From.AddDays(-1)
			b.Missing = append([]site.Date{b.From, b.From.AddDays(1)}, b.Missing...)
			b.Records = b.Records[1:]
		}},
		"a day too many":                {"bundle.txt", func(b *Bundle) { b.Missing = nil }},
		"the day before its amendment":  {"days/2026-03-03-amendment-1.txt.gz", func(b *Bundle) { b.Records = append(b.Records[:1], b.Records[2]) }},
		"another house":                 {"also/2026-02-20.txt.gz", func(b *Bundle) { b.Property = "egret-03" }},
		"no description":                {descriptionName(sha256.Sum256([]byte(descriptionFile))), func(b *Bundle) { b.Descriptions = nil }},
		"a description that nobody had": {descriptionName(sha256.Sum256([]byte("x"))), func(b *Bundle) { b.Descriptions[sha256.Sum256([]byte("x"))] = []byte("x") }},
		"a longer log":                  {"checkpoint.txt", func(b *Bundle) { b.Checkpoint = bytes.Replace(b.Checkpoint, []byte("\n7\n"), []byte("\n8\n"), 1) }},
		"a day beside the period changed": {"also/2026-02-20.txt.gz", func(b *Bundle) {
			b.Also[0].Text = bytes.Replace(b.Also[0].Text, []byte("c1"), []byte("c2"), 1)
		}},
		"one with its hash": {"proofs/2026-02-20.txt", func(b *Bundle) {
			b.Also[0].Text = bytes.Replace(b.Also[0].Text, []byte("c1"), []byte("c2"), 1)
			b.Also[0].Proof.Hash = LeafHash(b.Also[0].Text)
		}},
		"one of the period": {"also/2026-02-20.txt.gz", func(b *Bundle) { b.From = b.Also[0].date(t); b.Missing = append(dates(b.From, 10), b.Missing...) }},
		"an amendment beside it": {"also/2026-03-03-amendment-1.txt.gz", func(b *Bundle) {
			b.Also, b.Records, b.Through, b.Missing = b.Records[2:], b.Records[:1], b.From, nil
		}},
		"the key of a stranger": {"keys.txt", func(b *Bundle) { b.Keys = keysOf(t, forged.public) }},
		"outside the period":    {"days/2026-03-03.txt.gz", func(b *Bundle) { b.Through, b.Missing = b.From, nil }},
	} {
		b := s.bundle(t)
		c.change(b)
		var where *FileError
		if _, err := verify(build(t, b), keysOf(t, s.public)); !errors.As(err, &where) || where.File != c.file {
			t.Errorf("%s: %v, want %s named", name, err, c.file)
		}
	}
}

// TestRewrittenHistory: one reading changed, the whole log made anew and signed
// with the real key. The bundle verifies; an earlier checkpoint does not.
func TestRewrittenHistory(t *testing.T) {
	t.Parallel()
	honest := sealSmall(t, nil)
	kept := honest.log.tree
	rewritten := sealSmall(t, func(d *Day) { d.Blocks[0].Values[0][0] = 30 })
	rewritten.signer, rewritten.public = honest.signer, honest.public
	if _, err := verify(build(t, rewritten.bundle(t)), keysOf(t, honest.public)); err != nil {
		t.Fatalf("a log signed with the real key: %v", err)
	}
	rewritten.log.add(t, LeafHash([]byte("a day later")))
	p, err := rewritten.log.tree.ProveGrowth(rewritten.log.source, kept.Size)
	if err != nil {
		t.Fatal(err)
	}
	if err := rewritten.log.tree.CheckGrowth(kept, p); err == nil {
		t.Error("a rewritten history goes unnoticed")
	}
	honest.log.add(t, LeafHash([]byte("a day later")))
	if p, err = honest.log.tree.ProveGrowth(honest.log.source, kept.Size); err != nil || honest.log.tree.CheckGrowth(kept, p) != nil {
		t.Error("the honest log is doubted", err)
	}
}

// shellOf takes the commands out of the bundle's README: its lines that are
// indented by six, in the part to follow by hand.
func shellOf(t *testing.T, readme string) string {
	t.Helper()
	_, readme, found := strings.Cut(readme, "By hand")
	if !found {
		t.Fatal("the README has no part to follow by hand")
	}
	var out strings.Builder
	for line := range strings.Lines(readme) {
		if command, ok := strings.CutPrefix(line, "      "); ok && !strings.Contains(line, "| less") {
			out.WriteString(command)
		}
	}
	return out.String()
}

// TestByHand: the README alone, followed in a shell with coreutils, gzip, xxd
// and openssl, comes to the same answer as the program.
func TestByHand(t *testing.T) {
	t.Parallel()
	for _, program := range []string{"sha256sum", "gzip", "xxd", "openssl"} {
		if _, err := exec.LookPath(program); err != nil {
			t.Skipf("%s is not installed", program)
		}
	}
	s := sealSmall(t, nil)
	good := build(t, s.bundle(t))
	out := followByHand(t, good)
	for _, want := range []string{"files: good", "Signature Verified Successfully", "2026-03-02: in the log"} {
		if !strings.Contains(out, want) {
			t.Errorf("want %q in\n%s", want, out)
		}
	}
	if strings.Contains(out, "not") {
		t.Errorf("doubts about a good bundle:\n%s", out)
	}
	keyLines := 0
	raw := fmt.Sprintf("%x", rawKey(t, s.public))
	for line := range strings.Lines(out) {
		if strings.TrimSpace(line) == raw {
			keyLines++
		}
	}
	if keyLines != 2 {
		t.Errorf("the key %s is printed %d times, want twice:\n%s", raw, keyLines, out)
	}
	b := s.bundle(t)
	b.Records[1].Proof.Path[0][5] ^= 1
	if out := followByHand(t, build(t, b)); !strings.Contains(out, "2026-03-03: not in the log") {
		t.Errorf("a wrong proof passes:\n%s", out)
	}
	b = s.bundle(t)
	b.Also[0].Proof.Path[0][5] ^= 1
	if out := followByHand(t, build(t, b)); !strings.Contains(out, "also/2026-02-20: not in the log") {
		t.Errorf("a wrong proof of a day beside the period passes:\n%s", out)
	}
	b = s.bundle(t)
	b.Checkpoint = bytes.Replace(b.Checkpoint, []byte("\n7\n"), []byte("\n8\n"), 1)
	if out := followByHand(t, build(t, b)); strings.Contains(out, "Signature Verified Successfully") || !strings.Contains(out, "a proof of another log") {
		t.Errorf("a wrong checkpoint passes:\n%s", out)
	}
}

func rawKey(t *testing.T, public string) []byte {
	t.Helper()
	pem, err := keysOf(t, public).PEM()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("sh", "-c", "openssl pkey -pubin -outform DER | tail -c 32")
	cmd.Stdin = bytes.NewReader(pem)
	out, err := cmd.Output()
	if err != nil || len(out) != 32 {
		t.Fatal(len(out), err)
	}
	return out
}

func followByHand(t *testing.T, data []byte) string {
	t.Helper()
	dir := t.TempDir()
	r, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.CopyFS(dir, r); err != nil {
		t.Fatal(err)
	}
	readme, err := os.ReadFile(filepath.Join(dir, "README.txt"))
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("sh", "-c", shellOf(t, string(readme)))
	cmd.Dir = dir
	out, _ := cmd.CombinedOutput() // what it says counts
	return string(out)
}

// TestBitsOfABigBundleCount does for days of many readings, of which not every bit
// can be tried, what TestEveryBitOfTheBundleCounts does for small ones.
func TestBitsOfABigBundleCount(t *testing.T) {
	t.Parallel()
	s := sealSmall(t, func(d *Day) {
		if d.Amendment > 0 {
			return
		}
		noisy := noisyDay(mathrand.New(mathrand.NewPCG(1, uint64(d.Date.Day))), 8)
		shift := d.From.Sub(noisy.From).Microseconds()
		d.Blocks = noisy.Blocks
		for i := range d.Blocks {
			for row := range d.Blocks[i].At {
				d.Blocks[i].At[row] += shift
				d.Blocks[i].Received[row] += shift
			}
		}
	})
	keys := keysOf(t, s.public)
	files, err := ReadZip(build(t, s.bundle(t)))
	if err != nil {
		t.Fatal(err)
	}
	if data, err := WriteZip(files); err != nil {
		t.Fatal(err)
	} else if _, err := verify(data, keys); err != nil {
		t.Fatalf("as it is: %v", err)
	}
	var big []int
	for i := range files {
		if len(files[i].Content) > 10_000 {
			big = append(big, i)
		}
	}
	if len(big) != 2 {
		t.Fatalf("%d big files", len(big))
	}
	rapid.Check(t, func(t *rapid.T) {
		i := rapid.SampledFrom(big).Draw(t, "file")
		k, bit := rapid.IntRange(0, len(files[i].Content)-1).Draw(t, "byte"), rapid.IntRange(0, 7).Draw(t, "bit")
		changed := append([]File{}, files...)
		changed[i].Content = bytes.Clone(files[i].Content)
		changed[i].Content[k] ^= 1 << bit
		data, err := WriteZip(changed)
		if err != nil {
			t.Fatal(err)
		}
		var where *FileError
		if _, err := verify(data, keys); !errors.As(err, &where) || where.File != files[i].Name {
			t.Fatalf("%s: %v", files[i].Name, err)
		}
	})
}
