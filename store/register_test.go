package store

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"underkeep/store/site"
)

func TestRegisterGivesStableNumbers(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	first := register(t, s, cottage("heron-07"))
	if want := (Registration{Property: "heron-07", Version: 1, Created: true, Changed: true}); first != want {
		t.Errorf("first %+v, want %+v", first, want)
	}
	if again := register(t, s, cottage("heron-07")); again.Changed || again.Version != 1 {
		t.Errorf("the same file again: %+v", again)
	}
	p, _ := s.Registry().Property("heron-07")
	before := slices.Clone(p.AllSeries())
	// South bay goes, an attic comes.
	file := strings.ReplaceAll(cottage("heron-07"), "south-bay", "attic")
	if second := register(t, s, file); second.Version != 2 || second.Created {
		t.Errorf("corrected: %+v", second)
	}
	p, _ = s.Registry().Property("heron-07")
	after := p.AllSeries()
	for i, old := range before {
		if after[i].Point != old.Point || after[i].Quantity != old.Quantity {
			t.Errorf("series %d became %+v, was %+v", i, after[i], old)
		}
		if after[i].Described == (old.Point == "south-bay") {
			t.Errorf("series %d: described %v", i, after[i].Described)
		}
	}
	if _, ok := p.Series("south-bay", site.RH); ok {
		t.Error("readings of a point that is gone are still accepted")
	}
	if id, ok := p.Series("attic", site.RH); !ok || int(id) < len(before) {
		t.Errorf("attic has number %d, %v", id, ok)
	}
	if p.HasPoint("south-bay") || !p.HasPoint("attic") {
		t.Error("points are those of the old file")
	}
}

func TestRegisterEffectiveAddsAVersion(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	register(t, s, cottage("heron-07"))
	change := strings.Replace(cottage("heron-07"), "installed: 2024-03-02\n", "installed: 2024-03-02\neffective: 2025-09-01\n", 1)
	change += "  - {id: pantry, measures: [leak]}\n"
	register(t, s, change)
	// A correction of the first version leaves the later one alone.
	register(t, s, strings.Replace(cottage("heron-07"), "Cottage", "Hut", 1))
	p, _ := s.Registry().Property("heron-07")
	versions, err := p.Versions()
	if err != nil {
		t.Fatal(err)
	}
	if len(versions) != 2 || versions[0].Number != 3 || versions[1].Number != 2 {
		t.Fatalf("versions %+v", versions)
	}
	// New York is four hours behind in September.
	if want := time.Date(2025, 9, 1, 4, 0, 0, 0, time.UTC); !versions[0].From.IsZero() || !versions[1].From.Equal(want) {
		t.Errorf("from %v and %v, want the start and %v", versions[0].From, versions[1].From, want)
	}
	if _, ok := p.Series("pantry", site.Leak); !ok {
		t.Error("the later version's point is not known")
	}
	if n := count(t, s, `SELECT count(*) FROM property_version`); n != 3 {
		t.Errorf("%d versions on record, want all 3", n)
	}
	if want := time.Date(2024, 3, 2, 5, 0, 0, 0, time.UTC); !p.AcceptsFrom.Equal(want) {
		t.Errorf("accepts from %v, want %v", p.AcceptsFrom, want)
	}
}

func TestRegisterFileIsAllOrNothing(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	two := "# the fleet\n---\n" + cottage("heron-07") + "---\n# and\n" + cottage("gull-02") + "...\n"
	out, err := s.RegisterFile(t.Context(), []byte(two), "fleet.yaml", "test")
	if err != nil || len(out) != 2 || out[0].Property != "heron-07" || out[1].Property != "gull-02" {
		t.Fatalf("%+v, %v", out, err)
	}
	var problems *site.FileError
	bad := cottage("tern-11") + "---\n" + strings.Replace(cottage("rail-05"), "every: 5m", "every: 5 bars", 1)
	if _, err := s.RegisterFile(t.Context(), []byte(bad), "fleet.yaml", "test"); !errors.As(err, &problems) {
		t.Errorf("error %v, want the file's problems", err)
	}
	// The second document fails only in the database.
	late := cottage("tern-11") + "---\n" + strings.Replace(cottage("rail-05"), "installed: 2024-03-02\n", "installed: 2024-03-02\neffective: 2025-09-01\n", 1)
	if _, err := s.RegisterFile(t.Context(), []byte(late), "fleet.yaml", "test"); !errors.Is(err, ErrInvalid) {
		t.Errorf("error %v, want ErrInvalid", err)
	}
	if n := s.Registry().Len(); n != 2 {
		t.Errorf("%d properties, want 2", n)
	}
	p, _ := s.Registry().Property("gull-02")
	v, err := p.Versions()
	if err != nil || v[0].Property.Name != "Cottage gull-02" {
		t.Errorf("versions %+v, %v", v, err)
	}
}

func TestRegistryFollowsOtherProcesses(t *testing.T) {
	t.Parallel()
	a := openTest(t)
	b := openURL(t, a.url)
	withCottages(t, a, "heron-07")
	eventually(t, "the other process to know", func() bool {
		p, ok := b.Registry().Property("heron-07")
		if !ok {
			return false
		}
		_, ok = p.Gateway("main")
		return ok
	})
	// Even without the notification: Record looks once before it refuses.
	withCottages(t, a, "gull-02")
	if got := record(t, b, message("gull-02", "north-bay", site.RH, testNow, 50)); got.Stored != 1 {
		t.Errorf("%+v", got)
	}
}

func TestGatewayCredentials(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	register(t, s, cottage("heron-07"))
	c, err := s.AddGateway(t.Context(), "heron-07", "main", "test")
	if err != nil {
		t.Fatal(err)
	}
	if c.Username != "heron-07/main" || len(c.Password) < 43 {
		t.Errorf("credentials %+v", c)
	}
	if p, g, ok := s.CheckGateway(c.Username, c.Password); !ok || p != "heron-07" || g != "main" {
		t.Errorf("%s %s %v", p, g, ok)
	}
	for _, bad := range [][2]string{{c.Username, ""}, {c.Username, c.Password + "x"}, {"heron-07/other", c.Password}, {"heron-07", c.Password},
		{"", ""}, {"/", ""}, {"heron-07/main/x", c.Password}, {"gull-02/main", c.Password}} {
		if _, _, ok := s.CheckGateway(bad[0], bad[1]); ok {
			t.Errorf("%q let in", bad)
		}
	}
	renewed, err := s.AddGateway(t.Context(), "heron-07", "main", "test")
	if err != nil {
		t.Fatal(err)
	}
	if _, _, ok := s.CheckGateway(c.Username, c.Password); ok {
		t.Error("the old password still works")
	}
	if err := s.RevokeGateway(t.Context(), "heron-07", "main", "test"); err != nil {
		t.Fatal(err)
	}
	if _, _, ok := s.CheckGateway(renewed.Username, renewed.Password); ok {
		t.Error("a revoked gateway is let in")
	}
	if got := record(t, s, message("heron-07", "north-bay", site.RH, testNow, 50)); got.Quarantined[ReasonUnknownGateway] != 1 {
		t.Errorf("a revoked gateway's reading: %+v", got)
	}
	if _, err := s.AddGateway(t.Context(), "gull-02", "main", "test"); !errors.Is(err, ErrNotFound) {
		t.Errorf("gateway of no property: %v", err)
	}
	if _, err := s.AddGateway(t.Context(), "heron-07", "Main!", "test"); !errors.Is(err, ErrInvalid) {
		t.Errorf("gateway of a bad name: %v", err)
	}
	if n := count(t, s, `SELECT count(*) FROM gateway WHERE position($1 IN encode(secret_sha256, 'escape')) > 0`, renewed.Password); n != 0 {
		t.Error("a password is stored in the clear")
	}
}

func TestTokens(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	register(t, s, cottage("heron-07"))
	register(t, s, cottage("gull-02"))
	now := time.Now()
	owner, err := s.CreateToken(t.Context(), NewToken{Name: "Okafor", Role: RoleOwner, Properties: []string{"heron-07"}, By: "test"})
	if err != nil {
		t.Fatal(err)
	}
	brief, err := s.CreateToken(t.Context(), NewToken{Name: "brief", Role: RoleManager, Expires: now.Add(time.Hour), By: "test"})
	if err != nil {
		t.Fatal(err)
	}
	tok, err := s.CheckToken(t.Context(), owner, now)
	if err != nil {
		t.Fatal(err)
	}
	if tok.Role != RoleOwner || !tok.Scope.Sees("heron-07") || tok.Scope.Sees("gull-02") || tok.Name != "Okafor" {
		t.Errorf("token %+v", tok)
	}
	if tok, err := s.CheckToken(t.Context(), brief, now); err != nil || !tok.Scope.Sees("anything") {
		t.Errorf("%+v, %v", tok, err)
	}
	if err := s.RevokeToken(t.Context(), tok.ID, "test"); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		secret string
		at     time.Time
	}{"revoked": {owner, now}, "expired": {brief, now.Add(time.Hour)}, "made up": {"uk_x", now}, "none": {"", now}} {
		if _, err := s.CheckToken(t.Context(), c.secret, c.at); !errors.Is(err, ErrNotFound) {
			t.Errorf("%s: %v", name, err)
		}
	}
	for name, n := range map[string]NewToken{
		"owner of nothing":   {Name: "x", Role: RoleOwner, By: "t"},
		"unknown role":       {Name: "x", Role: "boss", By: "t"},
		"nameless":           {Role: RoleManager, By: "t"},
		"unknown property":   {Name: "x", Role: RoleOwner, Properties: []string{"rail-05"}, By: "t"},
		"expired from birth": {Name: "x", Role: RoleManager, By: "t", Expires: now.Add(-time.Hour)},
	} {
		if _, err := s.CreateToken(t.Context(), n); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	list, err := s.Tokens(t.Context())
	if err != nil || len(list) != 2 {
		t.Errorf("%d tokens, %v", len(list), err)
	}
	if got := dump(t, s, `SELECT count(*) FROM token t WHERE t::text LIKE '%' || $1 || '%'`, owner[3:]); got != "0" {
		t.Error("a secret is stored in the clear")
	}
}

func TestSplitDocuments(t *testing.T) {
	t.Parallel()
	for in, want := range map[string][]string{
		"a: 1\n":                            {"a: 1\n"},
		"---\na: 1\n---\nb: 2\n":            {"\na: 1\n", "\nb: 2\n"},
		"# only a remark\n---\na: 1\n...\n": {"\na: 1\n...\n"},
		"--- {a: 1}\n--- {b: 2}\n":          {" {a: 1}\n", " {b: 2}\n"},
		"a: |\n  ---\n  x\n---\n# end\n":    {"a: |\n  ---\n  x\n"},
		"a: 1\n---not a marker: 2\n":        {"a: 1\n---not a marker: 2\n"},
		"":                                  nil,
	} {
		var got []string
		for _, d := range splitDocuments([]byte(in)) {
			got = append(got, string(d))
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%q: %s", in, diff)
		}
	}
}

func TestRegistryParsesOnlyWhatIsAsked(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	register(t, s, cottage("heron-07"))
	if _, err := s.owner.Exec(t.Context(), `UPDATE property_version SET document = 'nonsense'`); err != nil {
		t.Fatal(err)
	}
	b := openURL(t, s.url)
	p, ok := b.Registry().Property("heron-07")
	if !ok {
		t.Fatal("a document that cannot be read hides its property")
	}
	if _, ok := p.Series("north-bay", site.RH); !ok {
		t.Error("its series are unknown")
	}
	if _, err := p.Versions(); err == nil || !strings.Contains(err.Error(), "heron-07") {
		t.Errorf("error %v, want one that names the property", err)
	}
}

func ExampleGatewayUsername() {
	fmt.Println(GatewayUsername("heron-07", "main"))
	// Output: heron-07/main
}
