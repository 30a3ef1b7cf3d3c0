package visit

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
	"time"
)

// written are the parts of an entry's detail that a person wrote, or that name
// one: sealed text carries their hashes.
var written = map[string]bool{"findings": true, "place": true, "reason": true, "crew": true, "assigned": true, "part": true, "serial": true}

// SealedLine is an entry of a visit's journal as one line of the sealed day:
// when, which visit, what, by whom, the number of what was recorded, what changed
// as JSON with its keys in order, and why. Figures and the SHA-256 of photos
// stand in it as they are; what a person wrote, and who, as what hash makes of
// it. id is the visit's, "" outside any visit.
func (e Entry) SealedLine(id string, hash func(string) string) (string, error) {
	detail, err := sealedDetail(e.Detail, hash)
	if err != nil {
		return "", fmt.Errorf("entry %s of %s: %w", e.Kind, id, err)
	}
	dash := func(s string) string {
		if s == "" {
			return "-"
		}
		return s
	}
	why := ""
	if e.Why != "" {
		why = "sha256:" + hash(e.Why)
	}
	return strings.Join([]string{e.At.UTC().Format(time.RFC3339Nano), dash(id), e.Kind, "person:" + hash(e.Actor), fmt.Sprint(e.Ref), detail, dash(why)}, " "), nil
}

// sealedDetail writes JSON with sorted keys and no spaces, its free text hashed.
func sealedDetail(raw []byte, hash func(string) string) (string, error) {
	if len(raw) == 0 {
		return "{}", nil
	}
	var detail map[string]any
	d := json.NewDecoder(bytes.NewReader(raw))
	d.UseNumber() // figures stay as they were written
	if err := d.Decode(&detail); err != nil {
		return "", err
	}
	for k, v := range detail {
		if text, ok := v.(string); ok && written[k] {
			detail[k] = "sha256:" + hash(text)
		}
	}
	out, err := json.Marshal(detail)
	return string(out), err
}
