package api

import (
	"math"
	"net/http"
	"net/netip"
	"strconv"
	"strings"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// Limits bound how fast requests come. The zero value bounds nothing.
type Limits struct {
	// Requests a second, and how many at once after a rest: of one principal,
	// and of one address whoever comes from it.
	PerPrincipal, PerSource     rate.Limit
	BurstPrincipal, BurstSource int
	// Tries to sign in from one address, of whatever account.
	SignIns     rate.Limit
	BurstSignIn int
}

// DefaultLimits are those of the service: far above what a dashboard asks, far
// below what would starve the others.
func DefaultLimits() Limits {
	return Limits{PerPrincipal: 300, BurstPrincipal: 600, PerSource: 600, BurstSource: 1200, SignIns: rate.Every(6 * time.Second), BurstSignIn: 20}
}

// throttle holds a token bucket for each key, for at most twice keep keys: the
// older half goes when the younger is full, so that a flood of addresses costs
// no more memory than that.
type throttle struct {
	limit rate.Limit
	burst int
	keep  int
	now   func() time.Time

	mu         sync.Mutex
	young, old map[string]*rate.Limiter
}

const throttleKeys = 20_000

func newThrottle(limit rate.Limit, burst int, now func() time.Time) *throttle {
	return &throttle{limit: limit, burst: burst, keep: throttleKeys, now: now, young: map[string]*rate.Limiter{}}
}

// allow takes one, or says how long to wait.
func (t *throttle) allow(key string) (wait time.Duration, ok bool) {
	if t.limit == 0 {
		return 0, true
	}
	now := t.now()
	r := t.bucket(key).ReserveN(now, 1)
	if wait = r.DelayFrom(now); wait > 0 {
		r.CancelAt(now)
		return wait, false
	}
	return 0, true
}

func (t *throttle) bucket(key string) *rate.Limiter {
	t.mu.Lock()
	defer t.mu.Unlock()
	b := t.young[key]
	if b != nil {
		return b
	}
	if len(t.young) >= t.keep {
		t.young, t.old = make(map[string]*rate.Limiter, t.keep), t.young
	}
	if b = t.old[key]; b == nil {
		b = rate.NewLimiter(t.limit, t.burst)
	}
	t.young[key] = b
	return b
}

// slow answers 429.
func slow(w http.ResponseWriter, wait time.Duration) {
	w.Header().Set("Retry-After", strconv.Itoa(int(math.Ceil(max(wait, time.Second).Seconds()))))
	writeProblem(w, http.StatusTooManyRequests, "too many requests; wait as long as Retry-After says")
}

// sourceOf is the address that a request came from. What a proxy says of it
// counts only where the proxy is one of ours.
func (s *server) sourceOf(r *http.Request) string {
	peer, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return "unknown"
	}
	addr := peer.Addr().Unmap()
	said := strings.Split(strings.Join(r.Header.Values("X-Forwarded-For"), ","), ",")
	for i := len(said) - 1; i >= 0 && s.trusts(addr); i-- {
		before, err := netip.ParseAddr(strings.TrimSpace(said[i]))
		if err != nil {
			break
		}
		addr = before.Unmap().WithZone("")
	}
	return groupAddress(addr)
}

func (s *server) trusts(a netip.Addr) bool {
	for _, p := range s.TrustedProxies {
		if p.Contains(a) {
			return true
		}
	}
	return false
}

// groupAddress takes a /64 for one place: whoever has one IPv6 address has all
// of them.
func groupAddress(a netip.Addr) string {
	if a.Is4() {
		return a.String()
	}
	if p, err := a.Prefix(64); err == nil {
		return p.String()
	}
	return a.String()
}
