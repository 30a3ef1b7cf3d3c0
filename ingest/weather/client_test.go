package weather

import (
	"context"
	"errors"
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"underkeep/ingest/guarded"
)

func client(t testing.TB, url string) *Client {
	t.Helper()
	c, err := NewClient(Options{URL: url, Contact: "ops@skerry.example", Pause: time.Millisecond, PerSecond: 1e6})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestClientIsPolite(t *testing.T) {
	t.Parallel()
	s := replay(t)
	c := client(t, s.URL)
	g, err := c.Grid(t.Context(), 34.21, -77.87)
	if err != nil || g != (Grid{"XSB", 85, 62}) {
		t.Fatalf("%v, %v", g, err)
	}
	r := s.requests[0]
	if r.URL.Path != "/points/34.21,-77.87" || r.Header.Get("User-Agent") != "underkeep (ops@skerry.example)" || !strings.Contains(r.Header.Get("Accept"), "geo+json") {
		t.Errorf("%s %v", r.URL, r.Header)
	}
	first, err := c.Observations(t.Context(), "KXSB", Validators{}, time.Time{})
	if err != nil || first.Validators.ETag == "" || first.NotModified {
		t.Fatalf("%+v, %v", first, err)
	}
	again, err := c.Observations(t.Context(), "KXSB", first.Validators, time.Time{})
	if err != nil || !again.NotModified || again.Validators != first.Validators {
		t.Errorf("%+v, %v", again, err)
	}
}

// RFC 9110 section 10.2.3: Retry-After in seconds or as a date.
func TestClientRetries(t *testing.T) {
	t.Parallel()
	s := replay(t)
	c := client(t, s.URL)
	left := 2
	s.fail = func(w http.ResponseWriter, _ *http.Request) bool {
		if left--; left < 0 {
			return false
		}
		w.WriteHeader(http.StatusBadGateway)
		return true
	}
	if _, err := c.Grid(t.Context(), 1, 2); err != nil || len(s.requests) != 3 {
		t.Errorf("%d requests, %v", len(s.requests), err)
	}
	for name, set := range map[string]func(http.Header){
		"seconds": func(h http.Header) { h.Set("Retry-After", "3600") },
		"date": func(h http.Header) {
			h.Set("Date", "Mon, 02 Mar 2026 12:00:00 GMT")
			h.Set("Retry-After", "Mon, 02 Mar 2026 13:00:00 GMT")
		},
	} {
		s.set(func() {
			s.requests = nil
			s.fail = func(w http.ResponseWriter, _ *http.Request) bool {
				set(w.Header())
				w.WriteHeader(http.StatusTooManyRequests)
				return true
			}
		})
		_, err := c.Grid(t.Context(), 1, 2)
		var wait *WaitError
		if !errors.As(err, &wait) || wait.For != time.Hour || len(s.requests) != 1 {
			t.Errorf("%s: %d requests, %v", name, len(s.requests), err)
		}
	}
	s.set(func() {
		s.requests, s.fail = nil, func(w http.ResponseWriter, _ *http.Request) bool { w.WriteHeader(http.StatusForbidden); return true }
	})
	if _, err := c.Grid(t.Context(), 1, 2); !errors.Is(err, ErrUnusable) || len(s.requests) != 1 {
		t.Errorf("what will not change is not asked again: %d, %v", len(s.requests), err)
	}
	if _, err := c.Station(t.Context(), "../x"); !errors.Is(err, ErrNotFound) {
		t.Error(err)
	}
}

func TestClientGivesUpWithItsContext(t *testing.T) {
	t.Parallel()
	s := replay(t)
	ctx, cancel := context.WithCancel(t.Context())
	s.fail = func(w http.ResponseWriter, _ *http.Request) bool {
		cancel()
		w.WriteHeader(http.StatusBadGateway)
		return true
	}
	if _, err := client(t, s.URL).Grid(ctx, 1, 2); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}

// Only an address that is loopback by the letter may be loopback.
func TestClientReachesNoPrivateAddress(t *testing.T) {
	t.Parallel()
	for _, url := range []string{"http://10.0.0.1/", "http://169.254.169.254/", "http://[::ffff:10.0.0.1]/", "http://0.0.0.0:1/"} {
		if _, err := client(t, url).Grid(t.Context(), 1, 2); !errors.Is(err, guarded.ErrForbidden) {
			t.Errorf("%s: %v", url, err)
		}
	}
	for _, url := range []string{"", "weather", "file:///etc/passwd", "https://user:pw@weather.example/", "https://weather.example/?a=b"} {
		if _, err := NewClient(Options{URL: url, Contact: "a@b.example"}); err == nil {
			t.Errorf("%q is taken", url)
		}
	}
	for _, contact := range []string{"", "  ", "a@b\r\nX: y", "me (myself)"} {
		if _, err := NewClient(Options{URL: "https://weather.example", Contact: contact}); err == nil {
			t.Errorf("contact %q is taken", contact)
		}
	}
}

func TestCoordinate(t *testing.T) {
	t.Parallel()
	for v, want := range map[float64]string{34.21: "34.21", -77.87: "-77.87", 34: "34", 34.123456: "34.1235", -0.5: "-0.5", 100: "100"} {
		if got := coordinate(v); got != want {
			t.Errorf("%g: %s, want %s", v, got, want)
		}
	}
}

// One degree of a great circle on a sphere of 6371.0088 km is 111.195 km.
func TestDistance(t *testing.T) {
	t.Parallel()
	for _, c := range [][5]float64{{0, 0, 1, 0, 111195}, {0, 0, 0, 1, 111195}, {60, 0, 60, 1, 55597}, {10, 20, 10, 20, 0}, {0, 0, 0, 180, 20015115}} {
		if got := DistanceM(c[0], c[1], c[2], c[3]); math.Abs(got-c[4]) > 5 {
			t.Errorf("%v: %.0f m", c, got)
		}
	}
}
