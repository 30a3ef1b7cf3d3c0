// Package guarded makes HTTP clients for addresses that people or other services
// give: webhooks, a weather service. Such an address must not become a way into
// the machine's own network. What a name resolves to is checked on the way out,
// after the resolver has spoken and before the connection is made, so that a name
// that changes its mind between check and use gains nothing.
package guarded

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"syscall"
	"time"
)

// ErrForbidden: the address is one of our own network, or no public one.
var ErrForbidden = errors.New("address is not a public one")

// ErrTooLarge: a body longer than it may be.
var ErrTooLarge = errors.New("body is too large")

// Options of a client; the zero value reaches public addresses only.
type Options struct {
	// Loopback allows 127.0.0.0/8 and ::1, and nothing else that is not public:
	// for tests and for a service on the same machine that is named on purpose.
	Loopback bool
	// Timeout of a whole exchange, body included. Default 20 s.
	Timeout time.Duration
}

// forbidden is what is not public although none of netip's words says so, with
// the register that says it: IANA special-purpose address registries (RFC 6890).
var forbidden = []netip.Prefix{
	netip.MustParsePrefix("0.0.0.0/8"),       // this network, RFC 791
	netip.MustParsePrefix("100.64.0.0/10"),   // shared by carriers, RFC 6598
	netip.MustParsePrefix("192.0.0.0/24"),    // protocol assignments, RFC 6890
	netip.MustParsePrefix("192.0.2.0/24"),    // documentation, RFC 5737
	netip.MustParsePrefix("192.88.99.0/24"),  // 6to4 relays, RFC 7526
	netip.MustParsePrefix("198.18.0.0/15"),   // benchmarking, RFC 2544
	netip.MustParsePrefix("198.51.100.0/24"), // documentation
	netip.MustParsePrefix("203.0.113.0/24"),  // documentation
	netip.MustParsePrefix("240.0.0.0/4"),     // reserved, RFC 1112, and broadcast
	netip.MustParsePrefix("::/96"),           // IPv4-compatible, RFC 4291
	netip.MustParsePrefix("64:ff9b::/96"),    // translation to IPv4, RFC 6052
	netip.MustParsePrefix("64:ff9b:1::/48"),  // the same locally, RFC 8215
	netip.MustParsePrefix("100::/64"),        // discard, RFC 6666
	netip.MustParsePrefix("2001::/23"),       // protocol assignments, Teredo among them
	netip.MustParsePrefix("2001:db8::/32"),   // documentation, RFC 3849
	netip.MustParsePrefix("2002::/16"),       // 6to4, RFC 3056
	netip.MustParsePrefix("3fff::/20"),       // documentation, RFC 9637
	netip.MustParsePrefix("5f00::/16"),       // segment routing, RFC 9602
	netip.MustParsePrefix("fec0::/10"),       // site-local, RFC 3879
}

// Allowed says whether an address may be connected to.
func Allowed(a netip.Addr, loopback bool) bool {
	a = a.Unmap().WithZone("") // ::ffff:127.0.0.1 is 127.0.0.1
	if !a.IsValid() {
		return false
	}
	if a.IsLoopback() {
		return loopback
	}
	if a.IsUnspecified() || a.IsPrivate() || a.IsLinkLocalUnicast() || a.IsMulticast() {
		return false
	}
	for _, p := range forbidden {
		if p.Contains(a) {
			return false
		}
	}
	return true
}

// Control is a net.Dialer's Control: it sees the address that is about to be
// connected to, whatever name led to it.
func Control(loopback bool) func(network, address string, _ syscall.RawConn) error {
	return func(network, address string, _ syscall.RawConn) error {
		ap, err := netip.ParseAddrPort(address)
		if err != nil {
			return fmt.Errorf("connect to %s: %w", address, ErrForbidden)
		}
		if (network != "tcp4" && network != "tcp6") || !Allowed(ap.Addr(), loopback) {
			return fmt.Errorf("connect to %s: %w", ap.Addr(), ErrForbidden)
		}
		return nil
	}
}

// Client makes an HTTP client that reaches only what Options allow. It follows no
// redirect (3xx comes back as it is) and uses no proxy, which would be all that the
// dialer sees.
func Client(o Options) *http.Client {
	if o.Timeout <= 0 {
		o.Timeout = 20 * time.Second
	}
	dialer := &net.Dialer{Timeout: o.Timeout / 2, KeepAlive: 30 * time.Second, Control: Control(o.Loopback)}
	return &http.Client{
		Timeout: o.Timeout,
		Transport: &http.Transport{
			Proxy: nil,
			DialContext: func(ctx context.Context, network, address string) (net.Conn, error) {
				return dialer.DialContext(ctx, network, address)
			},
			ForceAttemptHTTP2: true, MaxIdleConns: 16, MaxIdleConnsPerHost: 4, IdleConnTimeout: time.Minute,
			TLSHandshakeTimeout: o.Timeout / 2, ResponseHeaderTimeout: o.Timeout, MaxResponseHeaderBytes: 64 << 10,
		},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
}

// ReadBody reads at most limit bytes; ErrTooLarge when there are more.
func ReadBody(body io.Reader, limit int64) ([]byte, error) {
	out, err := io.ReadAll(io.LimitReader(body, limit+1))
	if err != nil {
		return nil, err
	}
	if int64(len(out)) > limit {
		return nil, fmt.Errorf("more than %d bytes: %w", limit, ErrTooLarge)
	}
	return out, nil
}
