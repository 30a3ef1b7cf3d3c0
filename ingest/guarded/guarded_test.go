package guarded

import (
	"errors"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strings"
	"testing"
)

// IANA special-purpose address registries; public ones are addresses of root name
// servers (a and k, from the root hints file).
func TestAllowed(t *testing.T) {
	t.Parallel()
	for _, public := range []string{"198.41.0.4", "193.0.14.129", "2001:503:ba3e::2:30", "2001:7fd::1"} {
		if !Allowed(netip.MustParseAddr(public), false) {
			t.Errorf("%s is public", public)
		}
	}
	for _, inside := range []string{
		"0.0.0.0", "0.1.2.3", "10.0.0.1", "100.64.0.1", "100.127.255.254", "169.254.169.254", "172.16.0.1", "172.31.255.255", "192.168.1.1",
		"192.0.0.8", "192.0.2.1", "198.18.0.1", "198.19.255.255", "224.0.0.1", "240.0.0.1", "255.255.255.255",
		"::", "::ffff:10.0.0.1", "::ffff:169.254.169.254", "::10.0.0.1", "64:ff9b::10.0.0.1", "64:ff9b::7f00:1",
		"2002:7f00:1::", "2001::1", "fe80::1", "fe80::1%lo", "fc00::1", "fd12:3456::1", "fec0::1", "ff02::1", "2001:db8::1",
	} {
		a := netip.MustParseAddr(inside)
		if Allowed(a, false) || Allowed(a, true) {
			t.Errorf("%s is allowed", inside)
		}
	}
	for _, own := range []string{"127.0.0.1", "127.9.9.9", "::1", "::ffff:127.0.0.1"} {
		a := netip.MustParseAddr(own)
		if Allowed(a, false) || !Allowed(a, true) {
			t.Errorf("%s: loopback must be asked for", own)
		}
	}
	if Allowed(netip.Addr{}, true) {
		t.Error("no address is allowed")
	}
}

// Every way of writing loopback ends at the dialer, and there it ends.
func TestClientDoesNotReachThisMachine(t *testing.T) {
	t.Parallel()
	reached := false
	srv := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { reached = true }))
	defer srv.Close()
	_, port, err := net.SplitHostPort(strings.TrimPrefix(srv.URL, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	c := Client(Options{})
	for _, host := range []string{"127.0.0.1", "localhost", "0.0.0.0", "[::]", "[::1]", "[::ffff:127.0.0.1]", "127.1", "0x7f.1", "2130706433"} {
		res, err := c.Get("http://" + host + ":" + port + "/")
		if err == nil {
			res.Body.Close()
			t.Errorf("%s was reached", host)
		}
		if host[0] == '[' && host != "[::]" || host == "127.0.0.1" || host == "0.0.0.0" {
			if !errors.Is(err, ErrForbidden) {
				t.Errorf("%s: %v", host, err)
			}
		}
	}
	if reached {
		t.Error("the server was reached")
	}
	res, err := Client(Options{Loopback: true}).Get(srv.URL)
	if err != nil || !reached {
		t.Fatalf("loopback on purpose: %v", err)
	}
	res.Body.Close()
}

func TestRedirectsAreNotFollowed(t *testing.T) {
	t.Parallel()
	hits := 0
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		hits++
		http.Redirect(w, r, "http://169.254.169.254/", http.StatusFound)
	}))
	defer srv.Close()
	res, err := Client(Options{Loopback: true}).Get(srv.URL)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusFound || hits != 1 {
		t.Errorf("status %d after %d requests", res.StatusCode, hits)
	}
}

// A proxy of the environment would be all that the dialer sees.
func TestNoProxy(t *testing.T) {
	t.Parallel()
	if Client(Options{}).Transport.(*http.Transport).Proxy != nil {
		t.Error("the client asks for a proxy")
	}
}

func TestReadBody(t *testing.T) {
	t.Parallel()
	if b, err := ReadBody(strings.NewReader("12345"), 5); err != nil || string(b) != "12345" {
		t.Errorf("%q, %v", b, err)
	}
	if _, err := ReadBody(strings.NewReader("123456"), 5); !errors.Is(err, ErrTooLarge) {
		t.Error(err)
	}
}
