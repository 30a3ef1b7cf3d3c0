package evidence

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"

	"underkeep/store/site"
)

// Verified is what a bundle proves.
type Verified struct {
	Bundle     *Bundle
	Checkpoint Checkpoint
	// Days are the records of the period, in order of date and amendment, each
	// in the log.
	Days     []*Day
	Readings int // in all of them
	// Also are records of days outside the period, in order, each in the log.
	// Whether there are others of the kind a bundle cannot show.
	Also []*Day
}

// Missing says whether a day of the period is not in the log.
func (v *Verified) Missing(date site.Date) bool { return slices.Contains(v.Bundle.Missing, date) }

// VerifyLog shows that every record of the bundle, and so every reading in it,
// is in the log that the checkpoint signs, that the checkpoint is signed by one
// of the keys, and that no day of the period is left out unnamed. Its error is a
// FileError for the first file that does not fit.
//
// keys come from elsewhere than the bundle: whoever could forge a bundle could
// put a key of their own into it.
func VerifyLog(b *Bundle, keys Keys) (*Verified, error) {
	c, err := OpenCheckpoint(b.Checkpoint, keys)
	if err != nil {
		return nil, &FileError{fileCheckpoint, err}
	}
	// The keys in the bundle must be of those that signed, else its own
	// commands would lead elsewhere.
	if _, err := OpenCheckpoint(b.Checkpoint, b.Keys); err != nil {
		return nil, &FileError{fileKeys, err}
	}
	v := &Verified{Bundle: b, Checkpoint: c}
	seen := map[[32]byte]bool{}
	for i := range b.Records {
		d, err := verifyRecord(&b.Records[i], c, b, folderDays)
		if err != nil {
			return nil, err
		}
		seen[d.Description.SHA256] = true
		v.Days = append(v.Days, d)
		v.Readings += d.Count()
	}
	for i := range b.Also {
		d, err := verifyRecord(&b.Also[i], c, b, folderAlso)
		if err != nil {
			return nil, err
		}
		name := dayName(folderAlso, recordName(d.Date, d.Amendment))
		switch {
		case d.Amendment > 0:
			return nil, misfit(name, "an amendment holds nothing of other days")
		case !d.Date.Before(b.From) && !b.Through.Before(d.Date):
			return nil, misfit(name, "a day of the period")
		case i > 0 && !v.Also[i-1].Date.Before(d.Date):
			return nil, misfit(name, "out of order, or twice")
		}
		seen[d.Description.SHA256] = true
		v.Also = append(v.Also, d)
	}
	for sum, text := range b.Descriptions {
		if !seen[sum] || sha256.Sum256(text) != sum {
			return nil, misfit(descriptionName(sum), "no record names it")
		}
	}
	return v, v.checkDays()
}

func verifyRecord(r *BundleRecord, c Checkpoint, b *Bundle, folder string) (*Day, error) {
	d, err := ParseDay(r.Text)
	if err != nil {
		head, herr := ParseHead(r.Text)
		if herr != nil {
			return nil, &FileError{fileManifest, errors.Join(err, herr)}
		}
		return nil, &FileError{dayName(folder, recordName(head.Date, head.Amendment)), err}
	}
	name := recordName(d.Date, d.Amendment)
	day, proof := dayName(folder, name), proofName(name)
	if d.Property != b.Property {
		return nil, misfit(day, "it is of %s, the bundle of %s", d.Property, clip(b.Property))
	}
	hash := LeafHash(r.Text)
	if hash != r.Proof.Hash {
		return nil, misfit(day, "its hash is %x, in its proof stands %x", hash, r.Proof.Hash)
	}
	if r.Proof.Size != c.Size {
		return nil, misfit(proof, "it is of a log of %d records, the checkpoint of %d", r.Proof.Size, c.Size)
	}
	if err := c.CheckRecord(r.Proof.Leaf, hash, r.Proof.Path); err != nil {
		return nil, misfit(proof, "it does not lead to the hash in %s: %w", fileCheckpoint, err)
	}
	if _, ok := b.Descriptions[d.Description.SHA256]; !ok {
		return nil, misfit(descriptionName(d.Description.SHA256), "missing, and %s names it", day)
	}
	return d, nil
}

// checkDays: each day of the period is there once or named as missing, each
// record follows on the one before.
func (v *Verified) checkDays() error {
	b := v.Bundle
	if b.Through.Before(b.From) || b.From.AddDays(40_000).Before(b.Through) {
		return misfit(fileManifest, "a period from %s through %s", b.From, b.Through)
	}
	i := 0
	var yesterday *BundleRecord // where it is in the bundle
	for date := b.From; !b.Through.Before(date); date = date.AddDays(1) {
		first := i
		last := [32]byte{}
		for ; i < len(v.Days) && v.Days[i].Date == date; i++ {
			d := v.Days[i]
			name := "days/" + recordName(date, d.Amendment) + ".txt.gz"
			switch {
			case d.Amendment != i-first:
				return misfit(name, "the record before it is missing")
			case d.Amendment > 0 && d.Previous != last:
				return misfit(name, "it does not follow on %s", recordName(date, d.Amendment-1))
			case d.Amendment == 0 && date != b.From && !follows(d, &b.Records[i], yesterday):
				return misfit(name, "the day before it is in the log, and missing here or not the one that it follows on")
			}
			last = v.Bundle.Records[i].Proof.Hash
		}
		if named := v.Missing(date); named != (i == first) {
			return misfit(fileManifest, "%s is named as missing: %t, is missing: %t", date, named, i == first)
		}
		if yesterday = nil; i > first {
			yesterday = &b.Records[first]
		}
	}
	if i < len(v.Days) {
		return misfit("days/"+recordName(v.Days[i].Date, v.Days[i].Amendment)+".txt.gz", "outside the period, or twice")
	}
	return v.checkMissing()
}

// follows: on the day before where that is here, else on nothing. A day before
// the first may be sealed later, when readings of it arrive.
func follows(d *Day, r, yesterday *BundleRecord) bool {
	if yesterday == nil || yesterday.Proof.Leaf > r.Proof.Leaf {
		return d.Previous == [32]byte{}
	}
	return d.Previous == yesterday.Proof.Hash
}

func (v *Verified) checkMissing() error {
	for i, date := range v.Bundle.Missing {
		if date.Before(v.Bundle.From) || v.Bundle.Through.Before(date) || i > 0 && !v.Bundle.Missing[i-1].Before(date) {
			return misfit(fileManifest, "%s is out of order among the missing days, or of no day of the period", date)
		}
	}
	return nil
}

// String sums a verified bundle up in one line.
func (v *Verified) String() string {
	also := ""
	if n := len(v.Also); n > 0 {
		also = fmt.Sprintf(", and %d days beside the period", n)
	}
	return fmt.Sprintf("%s, %s through %s: %d records with %d readings, %d days not in the log%s; %s, %d records in the log",
		v.Bundle.Property, v.Bundle.From, v.Bundle.Through, len(v.Days), v.Readings, len(v.Bundle.Missing), also, v.Checkpoint.Origin, v.Checkpoint.Size)
}
