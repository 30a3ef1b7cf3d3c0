package evidence

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/klauspost/compress/gzip"

	"underkeep/store/site"
)

// Bundle is the evidence of one property over a period, with all that it takes
// to check it without us.
type Bundle struct {
	Property      string
	From, Through site.Date // both inclusive, local days
	Records       []BundleRecord
	// Also are records of days outside the period on which something was recorded
	// that a verdict on the period rests on: a sensor check or a visit before it, an
	// outage reported after it, terms. Of a day only its first record, no amendment.
	Also []BundleRecord
	// Missing are the days of the period that are not in the log, in order.
	Missing    []site.Date
	Checkpoint []byte // signed note; its size is that of every proof
	// Keys that have signed the checkpoint; the first also stands in the bundle
	// for programs that know no notes.
	Keys Keys
	// Descriptions of the property that the records name, by their SHA-256.
	Descriptions map[[32]byte][]byte
	// Extra files: terms, the verdict and what belongs to it. Their names begin
	// with one of ExtraFolders.
	Extra []File
}

// BundleRecord is one record of the log with its proof.
type BundleRecord struct {
	Text  []byte
	Proof RecordProof
}

// ExtraFolders are the folders of a bundle that the log does not speak of.
var ExtraFolders = []string{"terms/", "verdict/"}

// The files of a bundle beside days, proofs, descriptions and extra ones.
const (
	fileReadme     = "README.txt"
	fileManifest   = "bundle.txt"
	fileCheckpoint = "checkpoint.txt"
	fileKeys       = "keys.txt"
	filePEM        = "key.pem"
	fileSums       = "SHA256SUMS"
)

// Folders of the records of the period and of those beside it.
const (
	folderDays = "days"
	folderAlso = "also"
)

const firstManifestLine = "underkeep evidence bundle 1"

// FileError is what does not fit in a bundle, and in which file.
type FileError struct {
	File string // "" the container itself
	Err  error
}

func (e *FileError) Error() string {
	if e.File == "" {
		return "the bundle: " + e.Err.Error()
	}
	return e.File + ": " + e.Err.Error()
}

// Unwrap gives what is wrong with the file.
func (e *FileError) Unwrap() error { return e.Err }

func misfit(file, format string, args ...any) error {
	return &FileError{file, fmt.Errorf(format, args...)}
}

// recordName is the name of a record's files in a bundle, without folder and
// ending.
func recordName(date site.Date, amendment int) string {
	if amendment == 0 {
		return date.String()
	}
	return fmt.Sprintf("%s-amendment-%d", date, amendment)
}

// parseRecordName reads a name back.
func parseRecordName(name string) (date site.Date, amendment int, ok bool) {
	day, rest, amended := strings.Cut(name, "-amendment-")
	if amended {
		if _, err := fmt.Sscanf(rest, "%d", &amendment); err != nil {
			return date, 0, false
		}
	}
	date, err := site.ParseDate(day)
	return date, amendment, err == nil && recordName(date, amendment) == name
}

// BuildBundle writes a bundle; the same bundle gives the same bytes. It does not
// check what it writes: VerifyLog does.
func BuildBundle(b *Bundle) ([]byte, error) {
	pem, err := b.Keys.PEM()
	if err != nil {
		return nil, err
	}
	files := []File{{fileReadme, readme(b)}, {fileManifest, b.manifest()}, {fileCheckpoint, b.Checkpoint}, {fileKeys, []byte(b.Keys.String())}, {filePEM, pem}}
	days, err := b.recordFiles()
	if err != nil {
		return nil, err
	}
	files = append(files, days...)
	for sum, text := range b.Descriptions {
		files = append(files, File{descriptionName(sum), text})
	}
	for _, f := range b.Extra {
		if !slices.ContainsFunc(ExtraFolders, func(folder string) bool { return strings.HasPrefix(f.Name, folder) }) {
			return nil, fmt.Errorf("file %q of a bundle is in none of %v", clip(f.Name), ExtraFolders)
		}
		files = append(files, f)
	}
	slices.SortFunc(files[1:], func(a, b File) int { return strings.Compare(a.Name, b.Name) })
	return WriteZip(append(files, File{fileSums, sums(files)}))
}

func descriptionName(sum [32]byte) string {
	return "descriptions/" + hex.EncodeToString(sum[:]) + ".yaml"
}

// sums is a list as sha256sum writes and checks it.
func sums(files []File) []byte {
	var b bytes.Buffer
	for _, f := range files {
		fmt.Fprintf(&b, "%x  %s\n", sha256.Sum256(f.Content), f.Name)
	}
	return b.Bytes()
}

func (b *Bundle) manifest() []byte {
	var out bytes.Buffer
	fmt.Fprintf(&out, "%s\nproperty %s\nfrom %s\nthrough %s\nrecords %d\nalso %d\nmissing %d\n", firstManifestLine, b.Property, b.From, b.Through,
		len(b.Records), len(b.Also), len(b.Missing))
	for _, d := range b.Missing {
		fmt.Fprintf(&out, "%s\n", d)
	}
	out.WriteString("end\n")
	return out.Bytes()
}

func (b *Bundle) recordFiles() ([]File, error) {
	files := make([]File, 0, 2*len(b.Records))
	packer := gzip.NewWriter(nil)
	for i := range len(b.Records) + len(b.Also) {
		r, folder := recordAt(b, i)
		head, err := ParseHead(r.Text)
		if err != nil {
			return nil, err
		}
		name := recordName(head.Date, head.Amendment)
		packed, err := packText(packer, r.Text)
		if err != nil {
			return nil, fmt.Errorf("pack %s: %w", name, err)
		}
		proof, err := r.Proof.Text()
		if err != nil {
			return nil, fmt.Errorf("proof of %s: %w", name, err)
		}
		files = append(files, File{dayName(folder, name), packed}, File{proofName(name), proof})
	}
	return files, nil
}

// recordAt counts through the records of the period and then those beside it.
func recordAt(b *Bundle, i int) (r *BundleRecord, folder string) {
	if i < len(b.Records) {
		return &b.Records[i], folderDays
	}
	return &b.Also[i-len(b.Records)], folderAlso
}

func dayName(folder, name string) string { return folder + "/" + name + ".txt.gz" }
func proofName(name string) string       { return "proofs/" + name + ".txt" }

func packText(w *gzip.Writer, text []byte) ([]byte, error) {
	var out bytes.Buffer
	out.Grow(len(text) / 3)
	w.Reset(&out)
	if _, err := w.Write(text); err != nil {
		return nil, err
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// ParseHead reads only what names a record: everything before its readings.
// Nothing that follows is looked at.
func ParseHead(text []byte) (*Day, error) {
	r := &reader{text: text}
	d := &Day{}
	if r.head(d); r.err != nil {
		return nil, r.err
	}
	return d, d.checkHead()
}

// OpenBundle takes a bundle apart. It holds the container and every file
// against SHA256SUMS and the manifest, and names what does not fit; whether the
// log covers the records is for VerifyLog.
func OpenBundle(data []byte) (*Bundle, error) {
	files, err := ReadZip(data)
	var named *FileError
	switch {
	case errors.As(err, &named):
		return nil, err
	case err != nil:
		return nil, &FileError{"", err}
	}
	if err := checkSums(files); err != nil {
		return nil, err
	}
	o := &opener{b: &Bundle{Descriptions: map[[32]byte][]byte{}}, texts: map[string][]byte{}, proofs: map[string]*RecordProof{}}
	for _, f := range files[:len(files)-1] {
		if err := o.take(f); err != nil {
			return nil, err
		}
	}
	return o.finish(files)
}

// checkSums holds every file against the list, and the list against the files.
func checkSums(files []File) error {
	if len(files) < 6 || files[0].Name != fileReadme || files[len(files)-1].Name != fileSums {
		return misfit("", "it must begin with %s and end with %s", fileReadme, fileSums)
	}
	list := strings.Split(string(files[len(files)-1].Content), "\n")
	if len(list) != len(files) || list[len(list)-1] != "" {
		return misfit(fileSums, "%d lines for %d files", len(list)-1, len(files)-1)
	}
	for i, f := range files[:len(files)-1] {
		if i > 1 && f.Name <= files[i-1].Name {
			return misfit(f.Name, "out of order")
		}
		sum, name, _ := strings.Cut(list[i], "  ")
		if name != f.Name {
			return misfit(fileSums, "line %d names %q, the file there is %s", i+1, clip(name), f.Name)
		}
		if have := sha256.Sum256(f.Content); sum != hex.EncodeToString(have[:]) {
			return misfit(f.Name, "its SHA-256 is %x, not %s as in %s", have, clip(sum), fileSums)
		}
	}
	return nil
}

// opener sorts the files of a bundle.
type opener struct {
	b        *Bundle
	names    []string // of records, in order, with their folders
	texts    map[string][]byte
	proofs   map[string]*RecordProof
	unpacker gzip.Reader
}

func (o *opener) take(f File) (err error) {
	folder, base, inside := strings.Cut(f.Name, "/")
	name, isText := strings.CutSuffix(base, ".txt")
	switch {
	case f.Name == fileManifest:
		err = o.manifest(f.Content)
	case f.Name == fileCheckpoint:
		o.b.Checkpoint = f.Content
	case f.Name == fileKeys:
		o.b.Keys, err = ParseKeys(string(f.Content))
	case f.Name == fileReadme || f.Name == filePEM:
		// held against what they must be when everything is known
	case inside && (folder == folderDays || folder == folderAlso) && strings.HasSuffix(base, ".txt.gz"):
		o.names = append(o.names, f.Name)
		o.texts[f.Name], err = o.unpack(f.Content)
	case inside && folder == "proofs" && isText:
		o.proofs[name], err = ParseRecordProof(f.Content)
	case inside && folder == "descriptions":
		sum := sha256.Sum256(f.Content)
		if f.Name != descriptionName(sum) {
			err = fmt.Errorf("its SHA-256 is %x", sum)
		}
		o.b.Descriptions[sum] = f.Content
	case inside && slices.Contains(ExtraFolders, folder+"/"):
		o.b.Extra = append(o.b.Extra, f)
	default:
		err = errors.New("no file of a bundle")
	}
	if err != nil {
		return &FileError{f.Name, err}
	}
	return nil
}

// unpack refuses what is not one gzip member to its end.
func (o *opener) unpack(packed []byte) ([]byte, error) {
	in := bytes.NewReader(packed)
	if err := o.unpacker.Reset(in); err != nil {
		return nil, err
	}
	o.unpacker.Multistream(false)
	var out bytes.Buffer
	out.Grow(4 * len(packed))
	n, err := io.Copy(&out, io.LimitReader(&o.unpacker, MaxText+1))
	switch {
	case err != nil:
		return nil, err
	case n > MaxText:
		return nil, fmt.Errorf("more than %d bytes", MaxText)
	case in.Len() > 0:
		return nil, fmt.Errorf("%d bytes behind its end", in.Len())
	}
	return out.Bytes(), nil
}

func (o *opener) manifest(text []byte) error {
	r := &reader{text: text}
	if line := r.next(); string(line) != firstManifestLine {
		r.fail("want %q", firstManifestLine)
	}
	o.b.Property = r.after("property")
	date := func(s string) site.Date {
		d, err := site.ParseDate(s)
		if err != nil {
			r.fail("%w", err)
		}
		return d
	}
	o.b.From, o.b.Through = date(r.after("from")), date(r.after("through"))
	// The counts of records are held against what is there by writing it again.
	r.number(r.after("records"))
	r.number(r.after("also"))
	for range r.count(r.after("missing")) {
		o.b.Missing = append(o.b.Missing, date(string(r.next())))
	}
	return r.err
}

// finish puts records and proofs together and checks that a bundle of these
// contents has just these files.
func (o *opener) finish(files []File) (*Bundle, error) {
	b := o.b
	for _, file := range o.names {
		folder, base, _ := strings.Cut(file, "/")
		name := strings.TrimSuffix(base, ".txt.gz")
		date, amendment, ok := parseRecordName(name)
		proof := o.proofs[name]
		if !ok || proof == nil {
			return nil, misfit(file, "no record of a bundle, or without its proof")
		}
		delete(o.proofs, name)
		head, err := ParseHead(o.texts[file])
		if err != nil {
			return nil, &FileError{file, err}
		}
		if head.Date != date || head.Amendment != amendment || head.Property != b.Property {
			return nil, misfit(file, "it is the record of %s, %s", head.Property, recordName(head.Date, head.Amendment))
		}
		list := &b.Records
		if folder == folderAlso {
			list = &b.Also
		}
		*list = append(*list, BundleRecord{Text: o.texts[file], Proof: *proof})
	}
	for name := range o.proofs {
		return nil, misfit(proofName(name), "a proof without its record")
	}
	if b.Keys.lines == nil {
		return nil, misfit(fileKeys, "missing")
	}
	pem, err := b.Keys.PEM()
	if err != nil {
		return nil, &FileError{fileKeys, err}
	}
	slices.SortStableFunc(b.Records, compareRecords)
	slices.SortStableFunc(b.Also, compareRecords)
	must := map[string][]byte{fileManifest: b.manifest(), filePEM: pem, fileReadme: readme(b), fileKeys: []byte(b.Keys.String())}
	for _, f := range files {
		if want, ok := must[f.Name]; ok && !bytes.Equal(f.Content, want) {
			return nil, &FileError{f.Name, ErrNotCanonical}
		}
		delete(must, f.Name)
	}
	for name := range must {
		return nil, misfit(name, "missing")
	}
	return b, nil
}

// compareRecords orders by date, then amendment; their heads are known to be
// readable.
func compareRecords(a, b BundleRecord) int {
	x, _ := ParseHead(a.Text)
	y, _ := ParseHead(b.Text)
	if x.Date != y.Date {
		return strings.Compare(x.Date.String(), y.Date.String())
	}
	return x.Amendment - y.Amendment
}
