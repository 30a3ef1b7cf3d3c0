package pages

import (
	"context"
	"errors"
	"io"
	"net/http"
	"strconv"
	"strings"

	"github.com/go-chi/chi/v5"

	"underkeep/api/photo"
	"underkeep/api/view"
	"underkeep/store/site"
	"underkeep/store/site/units"
	field "underkeep/store/visit"
)

// wrote says which step a form belongs to and where to go when it was accepted.
type wrote struct{ step, to string }

// write handles a form of a visit: only one of ours, only from whom it is
// allowed; what cannot be meant comes back with what was typed.
func (p *pages) write(a view.Action, f func(context.Context, *http.Request, view.Scope, string) (wrote, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if !p.ownForm(w, r) {
			return
		}
		who := visitOf(r)
		if !who.May(a) {
			p.message(w, r, http.StatusForbidden, "Not yours to do", "Your role does not do this.")
			return
		}
		id := chi.URLParam(r, "id")
		done, err := f(r.Context(), r, who.Scope(), id)
		switch {
		case errors.Is(err, view.ErrInvalid):
			p.showVisit(w, r, http.StatusBadRequest, done.step, r.PostForm, sayWrong(err))
		case err != nil:
			p.fail(w, r, err)
		default:
			http.Redirect(w, r, "/visits/"+id+done.to, http.StatusSeeOther)
		}
	}
}

func (p *pages) startVisit(ctx context.Context, r *http.Request, scope view.Scope, id string) (wrote, error) {
	var st field.Start
	for _, d := range r.PostForm["disturbs"] {
		st.Disturbs = append(st.Disturbs, field.Disturbance(d))
	}
	_, err := p.Source.StartVisit(ctx, scope, p.writer(r), id, st)
	return wrote{"", ""}, err
}

// measured reads a number and its unit from two fields of a form.
func measured(r *http.Request, name string, dim units.Dimension) (float64, error) {
	text := strings.Replace(strings.TrimSpace(r.PostFormValue(name)), ",", ".", 1)
	v, err := units.Parse(dim, text+" "+r.PostFormValue(name+"_unit"))
	if err != nil {
		return 0, invalidField(name, err)
	}
	return v, nil
}

// fieldError says which field of a form cannot be meant.
type fieldError struct {
	field string
	err   error
}

func (e fieldError) Error() string        { return e.field + ": " + e.err.Error() }
func (e fieldError) Is(target error) bool { return target == view.ErrInvalid }

func invalidField(name string, err error) error { return fieldError{fieldNames[name], err} }

var fieldNames = map[string]string{"poured": "Water poured", "seconds": "Seconds", "temp": "Temperature", "read": "Sensor reads", "value": "Value",
	"pieces": "How many", "due": "Day", "photo": "Photo"}

func number(r *http.Request, name string) (float64, error) {
	v, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(r.PostFormValue(name)), ",", ".", 1), 64)
	if err != nil {
		return 0, invalidField(name, errors.New("a number is needed"))
	}
	return v, nil
}

func (p *pages) pumpTest(ctx context.Context, r *http.Request, scope view.Scope, id string) (wrote, error) {
	t := field.PumpTest{Pump: r.PostFormValue("pump"), Method: r.PostFormValue("method"), Ran: r.PostFormValue("ran") == "yes", Remark: cut(r.PostFormValue("remark"), 1000)}
	done := wrote{"pump", "/pump"}
	var err error
	if t.Method == field.ByBucket && t.Ran {
		if t.PouredL, err = measured(r, "poured", units.Volume); err != nil {
			return done, err
		}
		if t.DrawDownS, err = number(r, "seconds"); err != nil {
			return done, err
		}
	}
	property, _, _ := field.ParsePartID(id, 'v')
	_, err = p.Source.AddPumpTest(ctx, scope, p.writer(r), property, id, t)
	return done, err
}

func (p *pages) saltCheck(ctx context.Context, r *http.Request, scope view.Scope, id string) (wrote, error) {
	c := field.SensorCheck{Point: r.PostFormValue("point"), Salt: r.PostFormValue("salt"), Remark: cut(r.PostFormValue("remark"), 1000)}
	done := wrote{"salt", "/salt"}
	var err error
	if c.TempC, err = measured(r, "temp", units.Temperature); err != nil {
		return done, err
	}
	if c.ReadPct, err = number(r, "read"); err != nil {
		return done, err
	}
	property, _, _ := field.ParsePartID(id, 'v')
	_, err = p.Source.AddSensorCheck(ctx, scope, p.writer(r), property, id, c)
	return done, err
}

func (p *pages) handReading(ctx context.Context, r *http.Request, scope view.Scope, id string) (wrote, error) {
	done := wrote{"readings", "/readings"}
	property, _, _ := field.ParsePartID(id, 'v')
	prop, err := p.Source.Property(ctx, scope, property)
	if err != nil {
		return done, err
	}
	q := field.Quantity(r.PostFormValue("quantity"))
	text := strings.Replace(strings.TrimSpace(r.PostFormValue("value")), ",", ".", 1)
	v, err := q.Parse(text + " " + handUnit(q, prop.Units))
	if err != nil {
		return done, invalidField("value", err)
	}
	_, err = p.Source.AddHandReading(ctx, scope, p.writer(r), id, field.HandReading{Quantity: q, Value: v, Place: cut(r.PostFormValue("place"), 200)})
	return done, err
}

func (p *pages) partUsed(ctx context.Context, r *http.Request, scope view.Scope, id string) (wrote, error) {
	done := wrote{"readings", "/readings"}
	pieces, err := number(r, "pieces")
	if err != nil {
		return done, err
	}
	_, err = p.Source.AddPart(ctx, scope, p.writer(r), id, field.Part{Part: cut(r.PostFormValue("part"), 200), Pieces: int32(min(max(pieces, 0), 1e6)), Serial: cut(r.PostFormValue("serial"), 100)})
	return done, err
}

// finish keeps what was written down, and signs the visit off where that was
// the button.
func (p *pages) finish(ctx context.Context, r *http.Request, scope view.Scope, id string) (wrote, error) {
	f := field.Findings{Findings: cut(r.PostFormValue("findings"), 10000)}
	for _, k := range r.PostForm["work"] {
		f.Work = append(f.Work, field.Work(k))
	}
	if r.PostFormValue("do") != "sign" {
		_, err := p.Source.RecordFindings(ctx, scope, p.writer(r), id, f)
		return wrote{"finish", ""}, err
	}
	_, err := p.Source.SignOff(ctx, scope, p.writer(r), id, f)
	return wrote{"finish", ""}, err
}

func (p *pages) changePlan(ctx context.Context, r *http.Request, scope view.Scope, id string) (wrote, error) {
	crew := cut(r.PostFormValue("crew"), 100)
	person, _ := strconv.Atoi(r.PostFormValue("assigned"))
	to := int32(person)
	c := field.Change{Crew: &crew, AssignedTo: &to, NoDay: r.PostFormValue("due") == ""}
	if !c.NoDay {
		d, err := site.ParseDate(r.PostFormValue("due"))
		if err != nil {
			return wrote{}, invalidField("due", err)
		}
		c.DueOn = &d
	}
	_, err := p.Source.ChangeVisit(ctx, scope, p.writer(r), id, c)
	return wrote{}, err
}

func (p *pages) cancelVisit(ctx context.Context, r *http.Request, scope view.Scope, id string) (wrote, error) {
	_, err := p.Source.CancelVisit(ctx, scope, p.writer(r), id, cut(r.PostFormValue("why"), 1000))
	return wrote{}, err
}

// visitPhoto takes a photo from the form of its step.
func (p *pages) visitPhoto(w http.ResponseWriter, r *http.Request) {
	p.write(view.RecordVisits, func(ctx context.Context, r *http.Request, scope view.Scope, id string) (wrote, error) {
		done := wrote{"photos", "/photos"}
		file, _, err := r.FormFile("photo")
		if err != nil {
			return done, invalidField("photo", errors.New("choose one first"))
		}
		defer file.Close()
		upload, err := io.ReadAll(io.LimitReader(file, photo.MaxBytes+1))
		if err != nil {
			return done, err
		}
		clean, err := photo.Clean(upload)
		if err != nil {
			return done, invalidField("photo", err)
		}
		_, err = p.Source.AddPhoto(ctx, scope, p.writer(r), id, field.Photo{Caption: cut(r.PostFormValue("caption"), 500), MediaType: photo.MediaType,
			Width: clean.Width, Height: clean.Height, Image: clean.Image, Thumb: clean.Thumb})
		return done, err
	})(w, r)
}
