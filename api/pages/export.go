package pages

import (
	"encoding/csv"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"github.com/go-chi/chi/v5"

	"underkeep/api/view"
	"underkeep/store/site"
)

// exportShown leads to one series as a file.
type exportShown struct{ Point, What, Address string }

func exportsOf(p site.Property, over period) []exportShown {
	var out []exportShown
	for _, point := range p.Points {
		for _, q := range point.Measures {
			v := url.Values{"point": {point.ID}, "quantity": {q.String()},
				"from": {over.from.UTC().Format(time.RFC3339)}, "to": {over.to.UTC().Format(time.RFC3339)}}
			out = append(out, exportShown{point.ID, quantityWords[q], "/properties/" + p.ID + "/readings.csv?" + v.Encode()})
		}
	}
	return out
}

// exportUnits stand behind the quantity in the first line of a file.
var exportUnits = map[site.Quantity]string{
	site.RH: " (%RH)", site.AirTemp: " (°C)", site.SurfaceTemp: " (°C)", site.WoodMoisture: " (%)", site.PumpRun: " (s)",
	site.WaterLevel: " (mm)", site.Rain: " (mm)", site.DehumidifierPower: " (W)", site.FanPower: " (W)", site.Battery: " (%)",
}

// readings writes one series as CSV, in the stored units: what a program reads
// must not depend on who asked. The first line names the unit.
func (p *pages) readings(w http.ResponseWriter, r *http.Request) {
	who := visitOf(r)
	prop, err := p.Source.Property(r.Context(), who.Scope(), chi.URLParam(r, "id"))
	if err != nil {
		p.fail(w, r, err)
		return
	}
	ask, err := seriesAsked(r.URL.Query(), prop)
	if err != nil {
		p.fail(w, r, err)
		return
	}
	name := fmt.Sprintf("%s-%s-%s-%s.csv", prop.ID, ask.Point, ask.Quantity, ask.From.In(zoneOf(prop.Property)).Format(time.DateOnly))
	out, begun := csv.NewWriter(w), false
	begin := func() {
		begun = true
		w.Header().Set("Content-Type", "text/csv; charset=utf-8")
		w.Header().Set("Content-Disposition", `attachment; filename="`+name+`"`)
		_ = out.Write([]string{"at", ask.Quantity.String() + exportUnits[ask.Quantity]})
	}
	err = p.Source.EachRun(r.Context(), who.Scope(), ask, func(at []int64, values []float64) error {
		if !begun {
			begin()
		}
		for i, us := range at {
			_ = out.Write([]string{time.UnixMicro(us).UTC().Format(time.RFC3339Nano), strconv.FormatFloat(values[i], 'g', -1, 64)})
		}
		return out.Error()
	})
	switch {
	case err != nil && !begun:
		p.fail(w, r, err)
		return
	case err != nil:
		p.Logger.ErrorContext(r.Context(), "export", "property", prop.ID, "error", err)
		panic(http.ErrAbortHandler) // a file that ends early must not look whole
	case !begun:
		begin()
	}
	out.Flush()
}

func seriesAsked(v url.Values, prop view.Property) (view.SeriesQuery, error) {
	quantity, ok := site.ParseQuantity(v.Get("quantity"))
	if !ok {
		return view.SeriesQuery{}, view.ErrInvalid
	}
	ask := view.SeriesQuery{Property: prop.ID, Point: v.Get("point"), Quantity: quantity}
	var wrongFrom, wrongTo error
	ask.From, wrongFrom = time.Parse(time.RFC3339, v.Get("from"))
	ask.To, wrongTo = time.Parse(time.RFC3339, v.Get("to"))
	if errors.Join(wrongFrom, wrongTo) != nil || !ask.From.Before(ask.To) {
		return ask, view.ErrInvalid
	}
	known := slices.ContainsFunc(prop.Points, func(p site.Point) bool { return p.ID == ask.Point && slices.Contains(p.Measures, ask.Quantity) })
	if !known {
		return ask, view.ErrNotFound
	}
	return ask, nil
}
