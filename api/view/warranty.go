package view

import (
	"context"
	"fmt"
	"time"

	"underkeep/api/warranty"
	"underkeep/store/site"
)

// Conditions knows what a warranty asks for and what a verdict rests on.
type Conditions interface {
	// ConditionsInput is what the verdict on a property rests on, for the days
	// from From to the day before To.
	ConditionsInput(ctx context.Context, scope Scope, property string, from, to site.Date) (warranty.Input, error)
	// EvidenceBundle is the ZIP with what the log has of the days, the terms and
	// the verdict that follows from them; the period as in ConditionsInput.
	EvidenceBundle(ctx context.Context, scope Scope, property string, from, to site.Date) ([]byte, error)
	// TermsSets are all versions of all sets, shipped ones first.
	TermsSets(ctx context.Context) ([]TermsVersion, error)
	// AddTerms adds the version that the file describes.
	AddTerms(ctx context.Context, file []byte, by string, at time.Time) (TermsVersion, error)
	// TermsAssigned are the assignments at a property, by day.
	TermsAssigned(ctx context.Context, scope Scope, property string) ([]TermsAssignment, error)
	AssignTerms(ctx context.Context, scope Scope, property string, a TermsAssignment) error
	Outages(ctx context.Context, scope Scope, property string, from, to time.Time) ([]warranty.Outage, error)
	ReportOutage(ctx context.Context, scope Scope, property string, o warranty.Outage) (warranty.Outage, error)
	// LatestOutages are those reported last over the whole scope.
	LatestOutages(ctx context.Context, scope Scope, limit int) ([]OutageReport, error)
}

// OutageReport is an outage with the property it was reported for.
type OutageReport struct {
	Property, Title string
	warranty.Outage
}

// TermsVersion is one version of a set of terms with its text.
type TermsVersion struct {
	warranty.Terms
	File    []byte
	Shipped bool
	AddedAt time.Time // zero: shipped
	AddedBy string
}

// TermsAssignment says which set holds at a property from a day on.
type TermsAssignment struct {
	From       site.Date
	Terms      string
	Origin     string    // file | desk
	AssignedAt time.Time // zero: not known
	AssignedBy string
}

// ShippedTerms are the sets that come with the program.
func ShippedTerms() []TermsVersion {
	all, texts := warranty.Shipped()
	out := make([]TermsVersion, len(all))
	for i := range all {
		out[i] = TermsVersion{Terms: all[i], File: texts[i], Shipped: true}
	}
	return out
}

// CheckTerms reads a file of terms that somebody wants to add. The names of
// shipped sets are taken.
func CheckTerms(file []byte) (warranty.Terms, error) {
	t, err := warranty.ParseTerms(file)
	if err != nil {
		return t, FileErrors{{Problem: err.Error()}}
	}
	for _, s := range ShippedTerms() {
		if s.Name == t.Name {
			return t, FileErrors{{Field: "terms", Problem: "the name " + t.Name + " belongs to a set that comes with the program; take another"}}
		}
	}
	return t, nil
}

// KnownTerms is nil when a set of that name exists, else an ErrInvalid.
func KnownTerms(sets []TermsVersion, name string) error {
	for _, s := range sets {
		if s.Name == name {
			return nil
		}
	}
	return fmt.Errorf("there are no terms %q: %w", name, ErrInvalid)
}
