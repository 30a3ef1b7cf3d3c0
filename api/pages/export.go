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

// exportPage is how many readings are fetched at a time.
const exportPage = 10_000

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
	found, err := p.Source.Readings(r.Context(), who.Scope(), ask, exportPage)
	if err != nil {
		p.fail(w, r, err)
		return
	}
	name := fmt.Sprintf("%s-%s-%s-%s.csv", prop.ID, ask.Point, ask.Quantity, ask.From.In(zoneOf(prop.Property)).Format(time.DateOnly))
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	w.Header().Set("Content-Disposition", `attachment; filename="`+name+`"`)
	out := csv.NewWriter(w)
	_ = out.Write([]string{"at", ask.Quantity.String() + exportUnits[ask.Quantity]})
	for len(found) > 0 {
		for _, m := range found {
			_ = out.Write([]string{m.At.UTC().Format(time.RFC3339Nano), strconv.FormatFloat(m.Value, 'g', -1, 64)})
		}
		if len(found) < exportPage {
			break
		}
		ask.From = found[len(found)-1].At.Add(time.Microsecond)
		if found, err = p.Source.Readings(r.Context(), who.Scope(), ask, exportPage); err != nil {
			p.Logger.ErrorContext(r.Context(), "export", "property", prop.ID, "error", err)
			panic(http.ErrAbortHandler) // a file that ends early must not look whole
		}
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
