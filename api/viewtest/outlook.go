package viewtest

import (
	"cmp"
	"context"
	"time"

	"underkeep/alerting/outlook"
	"underkeep/alerting/water"
	"underkeep/api/view"
)

// OutlookInput implements view.Fleet.
func (f *Fleet) OutlookInput(ctx context.Context, scope view.Scope, property string) (outlook.Input, error) {
	p, err := f.Property(ctx, scope, property)
	if err = cmp.Or(f.Down, err); err != nil {
		return outlook.Input{}, err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	in := outlook.Input{Property: p.Property, Now: Now, Series: make(map[outlook.Series][]outlook.Sample)}
	for _, w := range outlook.Wanted(p.Property) {
		for _, r := range f.Values[Series{property, w.Point, w.Quantity}] {
			if !r.At.After(Now) && Now.Sub(r.At) <= outlook.Back {
				in.Series[w] = append(in.Series[w], outlook.Sample(r))
			}
		}
	}
	if property == "tern-12" { // a storm tonight
		response := learnedResponse(p.Sump.WaterHistory)
		in.Response, in.Forecast = &response, &outlook.Forecast{Source: "weather service"}
		for h := range 24 {
			hour := outlook.ForecastHour{At: Now.Add(time.Duration(h) * time.Hour), TempC: 24, DewC: 20}
			if h >= 8 && h < 14 {
				hour.RainMM = 7.5
			}
			in.Forecast.Hours = append(in.Forecast.Hours, hour)
		}
	}
	return in, nil
}

// learnedResponse has learned eight cycles from each of seven storms of 24 mm.
func learnedResponse(history string) water.Response {
	response := water.NewResponse(history, Now.AddDate(0, 0, -30).UnixMicro())
	for day := -29; day < -2; day += 4 {
		for q := range 24 {
			at := Now.AddDate(0, 0, day).Add(time.Duration(q) * 15 * time.Minute).UnixMicro()
			if q < 12 {
				response.Rain(at, 2)
			}
			if q%3 == 2 {
				response.Cycle(at + 1)
			}
		}
	}
	return response
}
