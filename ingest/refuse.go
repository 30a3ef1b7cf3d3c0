package ingest

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"strings"
	"time"

	"underkeep/ingest/senml"
	"underkeep/store"
)

// refuse sends the whole message to quarantine.
func (k *check) refuse(reason store.Reason, detail string) {
	k.add(store.Refusal{Reason: reason, Detail: clean(detail, 400)})
}

// refuseRecord refuses a record of no known series.
func (k *check) refuseRecord(r *senml.Record, index int, reason store.Reason, why string) {
	at, _, _ := r.At(k.message.Received)
	point, _, _ := strings.Cut(r.Name, "/")
	if !ValidName(point) {
		point = ""
	}
	k.add(store.Refusal{Reason: reason, Detail: detail(r, index, why), Point: strings.Clone(point), At: at, Value: finite(r.Value)})
}

// refuseSeries refuses a record of a known series and says what it claimed. At
// is zero where the claimed time is outside the years 1 to 9999.
func (k *check) refuseSeries(r *senml.Record, index int, reason store.Reason, why string, s *series, at time.Time, value float64) {
	k.add(store.Refusal{
		Reason: reason, Detail: detail(r, index, why),
		Point: s.point, Quantity: s.quantity, At: at, Value: finite(value),
	})
}

// add completes a refusal. All refusals of a message share one payload.
func (k *check) add(r store.Refusal) {
	k.refused++
	if k.refused > MaxRefusals {
		return
	}
	if k.refused == 1 {
		k.hash = sha256.Sum256(k.message.Payload)
		k.raw = rawPayload(k.message.Payload)
	}
	r.Topic, r.Payload, r.PayloadBytes, r.PayloadHash = k.out.Topic, k.raw, len(k.message.Payload), k.hash
	k.out.Refused = append(k.out.Refused, r)
}

// rawPayload is what quarantine keeps; never nil. A cut is a copy, so that the
// rest need not stay in memory.
func rawPayload(p []byte) []byte {
	switch {
	case len(p) == 0:
		return []byte{}
	case len(p) > store.MaxQuarantinePayload:
		return bytes.Clone(p[:store.MaxQuarantinePayload])
	}
	return p
}

// detail is one line for a person: which record, what it said, what is wrong.
func detail(r *senml.Record, index int, why string) string {
	var said string
	switch r.Kind {
	case senml.KindNumber:
		said = strings.TrimSpace(fmt.Sprintf(" = %g %s", r.Value, r.Unit))
	case senml.KindBool:
		said = fmt.Sprintf("= %v", r.Bool)
	case senml.KindString:
		said = "= " + quote(r.Text)
	}
	if r.Time != 0 {
		said += fmt.Sprintf(" at %g s", r.Time)
	}
	return clean(fmt.Sprintf("record %d, %s %s: %s", index+1, quote(r.Name), said, why), 400)
}

// quote shows at most 80 bytes of outside text.
func quote(s string) string {
	if len(s) > 80 {
		return fmt.Sprintf("%q...", strings.ToValidUTF8(s[:80], ""))
	}
	return fmt.Sprintf("%q", s)
}

// clean makes text that Postgres takes: valid UTF-8, no NUL, bounded.
func clean(s string, limit int) string {
	if len(s) > limit {
		s = s[:limit]
	}
	s = strings.ToValidUTF8(s, "\uFFFD")
	return strings.ReplaceAll(s, "\x00", "\uFFFD")
}

// finite replaces what is beyond the range of a double by zero: neither JSON
// nor a CHECK of the database takes it.
func finite(v float64) float64 {
	if v-v != 0 {
		return 0
	}
	return v
}
