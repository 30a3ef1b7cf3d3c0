package view

import (
	"fmt"
	"slices"
	"time"
)

// CheckNewToken keeps a narrowed token from making a wider one, and tells what
// else cannot be meant as a FieldError.
func CheckNewToken(p Principal, n NewToken, now time.Time) error {
	known := ActionNames()
	for _, a := range n.Actions {
		if !slices.Contains(known, a) {
			return badField("actions", "action %q is not one of %v", a, known)
		}
		if p.Actions != nil && !slices.Contains(p.Actions, a) {
			return badField("actions", "action %q is beyond what this token may itself", a)
		}
	}
	if p.Actions != nil && len(n.Actions) == 0 {
		return badField("actions", "a narrowed token makes narrowed tokens only: name the actions")
	}
	if !n.Expires.IsZero() && !n.Expires.After(now) {
		return badField("expires_at", "expires_at is over already")
	}
	return nil
}

func badField(field, format string, args ...any) error {
	return &FieldError{Field: field, Problem: fmt.Sprintf(format, args...), Err: ErrInvalid}
}
