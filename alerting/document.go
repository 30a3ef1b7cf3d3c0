package alerting

import (
	"encoding/json"
	"time"
)

// MarshalJSON writes an alarm as rehearsals and the API show it: times in RFC
// 3339, null where there is none.
func (a Alarm) MarshalJSON() ([]byte, error) {
	type cause struct {
		Cause    string   `json:"cause"`
		Evidence []string `json:"evidence"`
	}
	type change struct {
		At       string `json:"at"`
		Priority string `json:"priority"`
	}
	doc := struct {
		Property        string   `json:"property"`
		Condition       string   `json:"condition"`
		Point           *string  `json:"point"`
		Priority        string   `json:"priority"`
		RaisedAt        string   `json:"raised_at"`
		KnownAt         string   `json:"known_at"`
		ClearedAt       *string  `json:"cleared_at"`
		PriorityChanges []change `json:"priority_changes"`
		Causes          []cause  `json:"causes"`
		CallOut         *string  `json:"call_out"`
		SuppressedBy    *string  `json:"suppressed_by"`
		Remarks         []string `json:"remarks,omitempty"`
	}{
		Property: a.Property, Condition: string(a.Condition), Point: orNull(a.Point), Priority: a.Priority.String(),
		RaisedAt: rfc3339(a.RaisedAt), KnownAt: rfc3339(a.KnownAt),
		PriorityChanges: []change{}, Causes: []cause{},
		CallOut: orNull(a.CallOut), SuppressedBy: orNull(string(a.SuppressedBy)), Remarks: a.Remarks,
	}
	if !a.ClearedAt.IsZero() {
		doc.ClearedAt = orNull(rfc3339(a.ClearedAt))
	}
	for _, c := range a.PriorityChanges {
		doc.PriorityChanges = append(doc.PriorityChanges, change{rfc3339(c.At), c.Priority.String()})
	}
	for _, c := range a.Causes {
		doc.Causes = append(doc.Causes, cause{c.Cause, append([]string{}, c.Evidence...)})
	}
	return json.Marshal(doc)
}

func orNull(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

func rfc3339(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }
