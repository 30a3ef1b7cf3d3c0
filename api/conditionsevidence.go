package api

import (
	"context"
	"fmt"
	"net/http"

	"underkeep/api/view"
	"underkeep/api/warranty"
	"underkeep/api/warranty/sealed"
	"underkeep/store/evidence"
	"underkeep/store/site"
)

// getEvidence answers with everything about a period that the log covers, and
// the verdict that follows from it.
func (s *server) getEvidence(w http.ResponseWriter, r *http.Request) {
	p, first, after, err := s.period(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if !first.Before(after) {
		s.fail(w, r, badf("no finished day lies in this period"))
		return
	}
	bundle, err := s.Source.EvidenceBundle(r.Context(), scope(r), p.ID, first, after)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	w.Header().Set("Cache-Control", "private, no-cache")
	w.Header().Add("Vary", "Authorization, Accept")
	w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", fmt.Sprintf("%s_%s_%s_evidence.zip", p.ID, first, after.AddDays(-1))))
	sendTagged(w, r, http.StatusOK, "application/zip", bundle)
}

// EvidenceBundle implements view.Conditions.
func (s *storeSource) EvidenceBundle(ctx context.Context, scope view.Scope, property string, from, to site.Date) ([]byte, error) {
	b, err := s.store.EvidenceBundle(ctx, storeScope(scope), property, from, to.AddDays(-1))
	if err != nil {
		return nil, told(err)
	}
	terms, err := s.termsForBundle(ctx, scope, property)
	if err != nil {
		return nil, err
	}
	days := sealed.Days{Property: property, From: from, To: to, Descriptions: b.Descriptions}
	if days.Records, err = parsed(b.Records); err != nil {
		return nil, fmt.Errorf("evidence of %s: %w", property, err)
	}
	if days.Also, err = parsed(b.Also); err != nil {
		return nil, fmt.Errorf("evidence of %s: %w", property, err)
	}
	if _, b.Extra, err = sealed.Files(days, terms); err != nil {
		return nil, fmt.Errorf("verdict in the evidence of %s: %w", property, err)
	}
	return evidence.BuildBundle(b)
}

func parsed(records []evidence.BundleRecord) ([]*evidence.Day, error) {
	out := make([]*evidence.Day, len(records))
	for i := range records {
		d, err := evidence.ParseDay(records[i].Text)
		if err != nil {
			return nil, err
		}
		out[i] = d
	}
	return out, nil
}

func (s *storeSource) termsForBundle(ctx context.Context, scope view.Scope, property string) (sealed.Terms, error) {
	var out sealed.Terms
	sets, err := s.TermsSets(ctx)
	if err != nil {
		return out, err
	}
	assigned, err := s.TermsAssigned(ctx, scope, property)
	if err != nil {
		return out, err
	}
	inForce, err := inForce(sets, assigned)
	for _, f := range inForce {
		out.Add(f, textOf(sets, &f.Terms))
	}
	return out, err
}

func textOf(sets []view.TermsVersion, t *warranty.Terms) []byte {
	for _, v := range sets {
		if v.Name == t.Name && v.Version == t.Version {
			return v.File
		}
	}
	return nil
}
