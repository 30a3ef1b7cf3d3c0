package pages

import (
	"errors"
	"net/http"

	"underkeep/api/view"
)

// stoppedRow is an address that wants no messages.
type stoppedRow struct{ Address, Since, How string }

func (p *pages) stoppedRows(r *http.Request) ([]stoppedRow, error) {
	list, err := p.Source.StoppedAddresses(r.Context())
	var out []stoppedRow
	for _, a := range list {
		out = append(out, stoppedRow{a.Address, a.At.UTC().Format("Jan 2, 2006"), a.How})
	}
	return out, err
}

// resume lets messages go to an address again, because its owner asked for it.
func (p *pages) resume(w http.ResponseWriter, r *http.Request) {
	if !p.mayDeliveries(w, r) || !p.ownForm(w, r) {
		return
	}
	err := p.Source.ResumeAddress(r.Context(), cut(r.PostFormValue("address"), 320), visitOf(r).Name)
	if err != nil && !errors.Is(err, view.ErrNotFound) { // it is as it was wanted
		p.fail(w, r, err)
		return
	}
	back(w, r, "/deliveries", "resumed")
}

// sendTest lets a manager see whether messages reach a person.
func (p *pages) sendTest(w http.ResponseWriter, r *http.Request) {
	if !p.mayDeliveries(w, r) || !p.ownForm(w, r) {
		return
	}
	d, err := p.Source.SendTest(r.Context(), cut(r.PostFormValue("person"), 20), cut(r.PostFormValue("channel"), 10), visitOf(r).Name)
	switch {
	case errors.Is(err, view.ErrInvalid), errors.Is(err, view.ErrNotFound):
		p.message(w, r, http.StatusUnprocessableEntity, "Not sent", "This person has no address for that, or is locked.")
	case err != nil:
		p.fail(w, r, err)
	default:
		http.Redirect(w, r, "/deliveries/"+d.ID, http.StatusSeeOther)
	}
}
