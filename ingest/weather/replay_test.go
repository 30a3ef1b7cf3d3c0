package weather

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"
)

// replayed is a weather service on this machine that answers in the documented
// shape. Stations and names are invented.
type replayed struct {
	*httptest.Server
	mu       sync.Mutex
	reports  map[string][]map[string]any // by station: observation properties, oldest first
	grid     string                      // the raw data of the cell
	fail     func(w http.ResponseWriter, r *http.Request) bool
	requests []*http.Request
	bodies   int // answers with a body
}

func replay(t testing.TB) *replayed {
	t.Helper()
	s := &replayed{reports: map[string][]map[string]any{}, grid: string(document(t, "gridpoint.json"))}
	s.Server = httptest.NewServer(s)
	t.Cleanup(s.Close)
	return s
}

func (s *replayed) set(f func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	f()
}

// hourly adds a report with its rain in the last hour, null where rain is nil.
func (s *replayed) hourly(station string, at time.Time, rain *float64) {
	s.set(func() {
		value := func(unit string, v any) map[string]any {
			return map[string]any{"unitCode": unit, "value": v, "qualityControl": "V"}
		}
		p := map[string]any{"timestamp": at.Format("2006-01-02T15:04:05+00:00"), "rawMessage": "",
			"temperature": value("wmoUnit:degC", 12.5), "relativeHumidity": value("wmoUnit:percent", 88.25)}
		p["precipitationLastHour"] = value("wmoUnit:mm", nil)
		if rain != nil {
			p["precipitationLastHour"] = value("wmoUnit:mm", *rain)
		}
		s.reports[station] = append(s.reports[station], map[string]any{"type": "Feature", "properties": p})
	})
}

func (s *replayed) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.requests = append(s.requests, r)
	if s.fail != nil && s.fail(w, r) {
		return
	}
	body := s.answer(r.URL.Path)
	if body == nil {
		http.Error(w, `{"title":"Not Found"}`, http.StatusNotFound)
		return
	}
	etag := fmt.Sprintf(`"%x"`, len(body))
	w.Header().Set("ETag", etag)
	w.Header().Set("Content-Type", "application/geo+json")
	if r.Header.Get("If-None-Match") == etag {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	s.bodies++
	_, _ = w.Write(body)
}

func (s *replayed) answer(path string) []byte {
	parts := strings.Split(strings.Trim(path, "/"), "/")
	station := func(id, name string, lat, lon float64) string {
		return fmt.Sprintf(`{"type":"Feature","geometry":{"type":"Point","coordinates":[%g,%g]},"properties":{"stationIdentifier":%q,"name":%q}}`, lon, lat, id, name)
	}
	airfield, light := station("KXSB", "Skerry Bank Airfield", 34.27, -77.9), station("KXSL", "Skerry Bank Light", 34.4, -77.7)
	switch {
	case parts[0] == "points":
		return []byte(`{"properties":{"gridId":"XSB","gridX":85,"gridY":62,"forecastGridData":"http://169.254.169.254/latest","observationStations":"http://169.254.169.254/"}}`)
	case path == "/gridpoints/XSB/85,62/stations":
		return []byte(`{"type":"FeatureCollection","features":[` + light + `,` + airfield + `]}`)
	case path == "/gridpoints/XSB/85,62":
		return []byte(s.grid)
	case path == "/stations/KXSL":
		return []byte(light)
	case parts[0] == "stations" && len(parts) == 3 && parts[2] == "observations":
		list := s.reports[parts[1]]
		if list == nil {
			list = []map[string]any{}
		}
		body, err := json.Marshal(map[string]any{"type": "FeatureCollection", "features": list})
		if err != nil {
			panic(err)
		}
		return body
	}
	return nil
}
