package api

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/time/rate"
	"pgregory.net/rapid"

	"underkeep/api/viewtest"
)

// from sends a GET from an address, as a proxy says where it says so.
func (g *rig) from(peer, path, token string, forwarded ...string) *http.Response {
	r := request{path: path, token: token}.build()
	r.RemoteAddr = peer
	for _, f := range forwarded {
		r.Header.Add("X-Forwarded-For", f)
	}
	w := httptest.NewRecorder()
	g.router.ServeHTTP(w, r)
	return w.Result()
}

func limited(l Limits, clock *time.Time, proxies ...string) func(*Options) {
	return func(o *Options) {
		o.Limits, o.Now = l, func() time.Time { return *clock }
		for _, p := range proxies {
			o.TrustedProxies = append(o.TrustedProxies, netip.MustParsePrefix(p))
		}
	}
}

func TestOnePrincipalIsSlowedAndOthersAreNot(t *testing.T) {
	t.Parallel()
	now := viewtest.Now
	g := newRig(t, limited(Limits{PerPrincipal: 0.5, BurstPrincipal: 3}, &now))
	ask := asManager("/v1/properties")
	for range 3 {
		g.status(ask, http.StatusOK)
	}
	// An empty bucket of one token each 2 s is ready in 2 s.
	if wait := g.status(ask, http.StatusTooManyRequests).Header.Get("Retry-After"); wait != "2" {
		t.Errorf("Retry-After %q, want 2", wait)
	}
	g.status(request{path: "/v1/properties", token: viewtest.OwnerToken}, http.StatusOK)
	now = now.Add(time.Second)
	g.status(ask, http.StatusTooManyRequests)
	now = now.Add(time.Second) // what was refused has cost nothing
	g.status(ask, http.StatusOK)
	g.status(ask, http.StatusTooManyRequests)
}

func TestOneAddressIsSlowedWhoeverItIs(t *testing.T) {
	t.Parallel()
	now := viewtest.Now
	g := newRig(t, limited(Limits{PerSource: 1, BurstSource: 2}, &now))
	for i, want := range []int{200, 401, 429, 429} {
		token := []string{viewtest.ManagerToken, "wrong"}[i%2]
		res := g.from("198.51.100.7:4711", "/v1/properties", token)
		if res.StatusCode != want {
			t.Errorf("request %d: %d, want %d", i, res.StatusCode, want)
		}
		if seconds, err := strconv.Atoi(res.Header.Get("Retry-After")); want == 429 && (err != nil || seconds < 1) {
			t.Errorf("Retry-After %q", res.Header.Get("Retry-After"))
		}
	}
	if got := g.from("198.51.100.8:4711", "/v1/properties", viewtest.ManagerToken).StatusCode; got != http.StatusOK {
		t.Errorf("another address: %d", got)
	}
}

func TestTriesToSignInAreSlowed(t *testing.T) {
	t.Parallel()
	now := viewtest.Now
	g := newRig(t, limited(Limits{SignIns: rate.Every(6 * time.Second), BurstSignIn: 2}, &now))
	post := func(peer string, i int) *http.Response {
		r := httptest.NewRequest("POST", "http://127.0.0.1:8080/sign-in", strings.NewReader(fmt.Sprintf("email=p%d@example.org&password=guess", i)))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.RemoteAddr = peer
		w := httptest.NewRecorder()
		g.router.ServeHTTP(w, r)
		return w.Result()
	}
	for i, want := range []int{401, 401, 429} {
		if res := post("198.51.100.7:4711", i); res.StatusCode != want || want == 429 && res.Header.Get("Retry-After") != "6" {
			t.Errorf("try %d: %d, want %d; Retry-After %q", i, res.StatusCode, want, res.Header.Get("Retry-After"))
		}
	}
	if res := post("198.51.100.8:4711", 9); res.StatusCode != http.StatusUnauthorized {
		t.Errorf("another address: %d", res.StatusCode)
	}
}

// TestThrottleForgets: a flood of addresses takes bounded memory, and does not
// give the one that keeps coming a fresh bucket.
func TestThrottleForgets(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		now := viewtest.Now
		th := newThrottle(1, 1, func() time.Time { return now })
		th.keep = rapid.IntRange(2, 50).Draw(t, "keep")
		th.allow("steady")
		for i := range rapid.IntRange(0, 500).Draw(t, "others") {
			th.allow(fmt.Sprint("other", i))
			if n := len(th.young) + len(th.old); n > 2*th.keep {
				t.Fatalf("%d buckets with keep %d", n, th.keep)
			}
			if _, ok := th.allow("steady"); ok {
				t.Fatalf("after %d others the bucket was new", i+1)
			}
		}
	})
}

func TestSourceOfARequest(t *testing.T) {
	t.Parallel()
	cases := []struct {
		peer      string
		forwarded []string
		proxies   []string
		want      string
	}{
		{"198.51.100.7:1", nil, nil, "198.51.100.7"},
		{"198.51.100.7:1", []string{"203.0.113.9"}, nil, "198.51.100.7"},                           // nobody is believed
		{"198.51.100.7:1", []string{"203.0.113.9"}, []string{"127.0.0.1/32"}, "198.51.100.7"},      // not a proxy of ours
		{"127.0.0.1:1", []string{"203.0.113.9"}, []string{"127.0.0.1/32"}, "203.0.113.9"},          // one of ours
		{"127.0.0.1:1", []string{"1.2.3.4, 203.0.113.9"}, []string{"127.0.0.1/32"}, "203.0.113.9"}, // the client made the first up
		{"127.0.0.1:1", []string{"1.2.3.4", "203.0.113.9"}, []string{"127.0.0.1/32"}, "203.0.113.9"},
		{"127.0.0.1:1", []string{"203.0.113.9, 10.1.2.3"}, []string{"127.0.0.1/32", "10.0.0.0/8"}, "203.0.113.9"},
		{"127.0.0.1:1", []string{"rubbish"}, []string{"127.0.0.1/32"}, "127.0.0.1"},
		{"[::ffff:198.51.100.7]:1", nil, nil, "198.51.100.7"},
		{"[2001:db8:1:2:3:4:5:6]:1", nil, nil, "2001:db8:1:2::/64"},
		{"[fe80::1%eth0]:1", nil, nil, "fe80::/64"},
		{"nonsense", nil, nil, "unknown"},
	}
	for _, c := range cases {
		now := viewtest.Now
		g := newRig(t, limited(Limits{}, &now, c.proxies...))
		r := request{path: "/v1/me"}.build()
		r.RemoteAddr = c.peer
		for _, f := range c.forwarded {
			r.Header.Add("X-Forwarded-For", f)
		}
		if got := g.server.sourceOf(r); got != c.want {
			t.Errorf("%s, forwarded %q, proxies %v: %s, want %s", c.peer, c.forwarded, c.proxies, got, c.want)
		}
	}
}

func TestBodiesAndPagesAreBounded(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	long := strings.Repeat("x", maxBody)
	for route := range access {
		method, _, _ := strings.Cut(route, " ")
		if method == "GET" || method == "DELETE" {
			continue
		}
		own, _, _ := ids(route)
		q := at(route, own)
		if q.header["Content-Type"] != "" || q.body == "" || !strings.HasPrefix(q.body, "{") {
			continue // files have limits of their own, below
		}
		q.token, q.body = viewtest.ManagerToken, `{"note":"`+long+`"}`
		g.status(q, http.StatusRequestEntityTooLarge)
		q.header = map[string]string{"Idempotency-Key": route}
		g.status(q, http.StatusRequestEntityTooLarge)
	}
	file := cottageFile("new-01", strings.Repeat("#", maxFile))
	file.token = viewtest.ManagerToken
	g.status(file, http.StatusRequestEntityTooLarge)
	for _, path := range []string{"/v1/properties", "/v1/alarms", "/v1/people", "/v1/audit", "/v1/quarantine", "/v1/visits"} {
		for _, limit := range []string{"0", "-1", "1000000", "many"} {
			g.status(asManager(path+"?limit="+limit), http.StatusBadRequest)
		}
	}
}
