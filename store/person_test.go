package store

import (
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

func addPerson(tb testing.TB, s *Store, n NewPerson) Person {
	tb.Helper()
	if n.By == "" {
		n.By = "test"
	}
	p, err := s.AddPerson(tb.Context(), n)
	if err != nil {
		tb.Fatal(err)
	}
	return p
}

func TestPersonIsAddedFoundChangedAndDisabled(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07", "tern-12", "gull-03")
	p := addPerson(t, s, NewPerson{Name: "Lee Marsh", Email: "Lee@Example.org", Phone: "+15550100200", Role: RoleTechnician,
		Properties: []string{"tern-12", "heron-07"}, Password: "a quiet crawl space"})
	want := Person{Name: "Lee Marsh", Email: "Lee@Example.org", Phone: "+15550100200", Role: RoleTechnician,
		Scope: Scope{Properties: []string{"heron-07", "tern-12"}}, Language: "en", HasPassword: true, CreatedBy: "test"}
	if diff := cmp.Diff(want, p, cmpopts.IgnoreFields(Person{}, "ID", "CreatedAt")); diff != "" {
		t.Error(diff)
	}
	found, err := s.PersonByEmail(t.Context(), " lee@example.ORG")
	if err != nil || found.ID != p.ID {
		t.Fatalf("%+v, %v", found, err)
	}
	if _, err := s.AddPerson(t.Context(), NewPerson{Name: "L", Email: "LEE@example.org", Role: RoleManager, All: true, By: "test"}); !errors.Is(err, ErrConflict) {
		t.Errorf("a second person with the address: %v", err)
	}
	units := "si"
	changed, err := s.ChangePerson(t.Context(), p.ID, PersonChange{Units: &units, Grant: []string{"gull-03"}, Withdraw: []string{"tern-12"}, By: "test"})
	if err != nil {
		t.Fatal(err)
	}
	want.Units, want.Scope.Properties = "si", []string{"gull-03", "heron-07"}
	if diff := cmp.Diff(want, changed, cmpopts.IgnoreFields(Person{}, "ID", "CreatedAt")); diff != "" {
		t.Error(diff)
	}
	if err := s.DisablePerson(t.Context(), p.ID, "test"); err != nil {
		t.Fatal(err)
	}
	if _, err := s.PersonByEmail(t.Context(), "lee@example.org"); !errors.Is(err, ErrNotFound) {
		t.Errorf("a disabled person is found by address: %v", err)
	}
	// The address is free again, and then the disabled one cannot come back.
	addPerson(t, s, NewPerson{Name: "Lee the second", Email: "lee@example.org", Role: RoleOwner, Properties: []string{"heron-07"}})
	no := false
	if _, err := s.ChangePerson(t.Context(), p.ID, PersonChange{Disabled: &no, By: "test"}); !errors.Is(err, ErrConflict) {
		t.Errorf("two people with one address: %v", err)
	}
}

// A manager of one house must not make, or take over, somebody who has more.
func TestNobodyGivesMoreThanTheyHave(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07", "tern-12")
	all := addPerson(t, s, NewPerson{Name: "Ada", Email: "ada@example.org", Role: RoleManager, All: true})
	both := addPerson(t, s, NewPerson{Name: "Bo", Email: "bo@example.org", Role: RoleOwner, Properties: []string{"heron-07", "tern-12"}})
	one := addPerson(t, s, NewPerson{Name: "Cy", Email: "cy@example.org", Role: RoleOwner, Properties: []string{"heron-07"}})
	_, token, err := s.IssueToken(t.Context(), NewToken{Name: "fleet", Role: RoleManager, By: "test"})
	if err != nil {
		t.Fatal(err)
	}
	ctx := WithScope(t.Context(), Scope{Properties: []string{"heron-07"}})
	yes, secret := true, "a password of twenty"
	refused := map[string]func() error{
		"a person with every house": func() error {
			_, err := s.AddPerson(ctx, NewPerson{Name: "X", Email: "x@example.org", Role: RoleManager, All: true, By: "test"})
			return err
		},
		"a person with a foreign house": func() error {
			_, err := s.AddPerson(ctx, NewPerson{Name: "X", Email: "x@example.org", Role: RoleOwner, Properties: []string{"tern-12"}, By: "test"})
			return err
		},
		"every house": func() error {
			_, err := s.ChangePerson(ctx, one.ID, PersonChange{All: &yes, By: "test"})
			return err
		},
		"a foreign house": func() error {
			_, err := s.ChangePerson(ctx, one.ID, PersonChange{Grant: []string{"tern-12"}, By: "test"})
			return err
		},
		"a password for who has all": func() error {
			_, err := s.ChangePerson(ctx, all.ID, PersonChange{Password: &secret, By: "test"})
			return err
		},
		"a password for who has one more": func() error {
			_, err := s.ChangePerson(ctx, both.ID, PersonChange{Password: &secret, By: "test"})
			return err
		},
		"a link for who has one more": func() error {
			_, err := s.Invite(ctx, both.ID, "test", testNow)
			return err
		},
		"a token for the fleet": func() error {
			_, _, err := s.IssueToken(ctx, NewToken{Name: "x", Role: RoleManager, By: "test"})
			return err
		},
		"the end of a token for the fleet": func() error { return s.RevokeToken(ctx, token.ID, "test") },
	}
	for what, try := range refused {
		if err := try(); !errors.Is(err, ErrInvalid) && !errors.Is(err, ErrNotFound) {
			t.Errorf("%s: %v, want it refused", what, err)
		}
	}
	if _, err := s.ChangePerson(ctx, one.ID, PersonChange{Password: &secret, By: "test"}); err != nil {
		t.Errorf("a password for who has that house only: %v", err)
	}
	if _, _, err := s.IssueToken(ctx, NewToken{Name: "x", Role: RoleManager, Properties: []string{"heron-07"}, By: "test"}); err != nil {
		t.Errorf("a token for that house: %v", err)
	}
}

func TestWhatNoPersonCanBe(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	for name, n := range map[string]NewPerson{
		"no name": {Role: RoleManager}, "no such role": {Name: "A", Role: "visitor"},
		"an owner of everything":    {Name: "A", Role: RoleOwner, All: true},
		"an operator of a property": {Name: "A", Role: RoleOperator, Properties: []string{"heron-07"}},
		"an address of two":         {Name: "A", Role: RoleManager, Email: "a@example.org\nbcc: b@example.org"},
		"a phone number of words":   {Name: "A", Role: RoleManager, Phone: "call me"},
		"a language not spoken":     {Name: "A", Role: RoleManager, Language: "la"},
		"a short password":          {Name: "A", Role: RoleManager, Password: "short"},
		"an endless password":       {Name: "A", Role: RoleManager, Password: strings.Repeat("x", 300)},
	} {
		if _, err := s.AddPerson(t.Context(), n); !errors.Is(err, ErrInvalid) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := s.AddPerson(t.Context(), NewPerson{Name: "A", Role: RoleOwner, Properties: []string{"no-such"}, By: "test"}); !errors.Is(err, ErrNotFound) {
		t.Errorf("a property that is not there: %v", err)
	}
	if n := count(t, s, `SELECT count(*) FROM person`); n != 0 {
		t.Errorf("%d people were added all the same", n)
	}
}

func TestPeopleAreListedByRoleAndProperty(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07", "tern-12")
	addPerson(t, s, NewPerson{Name: "manager", Role: RoleManager, All: true})
	addPerson(t, s, NewPerson{Name: "owner of heron", Role: RoleOwner, Properties: []string{"heron-07"}})
	addPerson(t, s, NewPerson{Name: "owner of tern", Role: RoleOwner, Properties: []string{"tern-12"}})
	gone := addPerson(t, s, NewPerson{Name: "gone", Role: RoleOwner, Properties: []string{"heron-07"}})
	if err := s.DisablePerson(t.Context(), gone.ID, "test"); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		q    PeopleQuery
		want []string
	}{
		{PeopleQuery{Limit: 1}, []string{"manager", "owner of heron", "owner of tern"}},
		{PeopleQuery{Disabled: true}, []string{"manager", "owner of heron", "owner of tern", "gone"}},
		{PeopleQuery{Property: "heron-07"}, []string{"manager", "owner of heron"}},
		{PeopleQuery{Property: "heron-07", Roles: []Role{RoleOwner, RoleTechnician}}, []string{"owner of heron"}},
		{PeopleQuery{Property: "no-such"}, nil},
	} {
		var got []string
		for more := true; more; more = c.q.Cursor != "" {
			page, next, err := s.People(t.Context(), c.q)
			if err != nil {
				t.Fatal(err)
			}
			for _, p := range page {
				got = append(got, p.Name)
			}
			c.q.Cursor = next
		}
		if diff := cmp.Diff(c.want, got); diff != "" {
			t.Errorf("%+v: %s", c.q, diff)
		}
	}
}

// ownedBy is a cottage whose file names an owner.
func ownedBy(id, name, email string) string {
	return cottage(id) + "owner: {name: " + name + ", email: " + email + ", phone: +1 555-010-0300, language: es}\n"
}

func TestTheFilesOwnerBecomesAPerson(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	register(t, s, ownedBy("heron-07", "R. Okafor", "owner@example.org"))
	register(t, s, ownedBy("tern-12", "Rose Okafor", "OWNER@example.org"))
	p, err := s.PersonByEmail(t.Context(), "owner@example.org")
	if err != nil {
		t.Fatal(err)
	}
	want := Person{Name: "R. Okafor", Email: "owner@example.org", Phone: "+15550100300", Role: RoleOwner, Language: "es",
		Scope: Scope{Properties: []string{"heron-07", "tern-12"}}, CreatedBy: "property file, test"}
	if diff := cmp.Diff(want, p, cmpopts.IgnoreFields(Person{}, "ID", "CreatedAt")); diff != "" {
		t.Error(diff)
	}
	// A file that names another adds that one and cuts nobody off.
	register(t, s, ownedBy("heron-07", "T. Lindqvist", "new@example.org"))
	if p, _ = s.PersonByEmail(t.Context(), "owner@example.org"); len(p.Scope.Properties) != 2 {
		t.Errorf("the former owner has %v", p.Scope.Properties)
	}
	if p, err = s.PersonByEmail(t.Context(), "new@example.org"); err != nil || len(p.Scope.Properties) != 1 {
		t.Errorf("%+v, %v", p, err)
	}
}

func TestAFileGivesRightsToOwnersOnly(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	tech := addPerson(t, s, NewPerson{Name: "Lee", Email: "lee@example.org", Role: RoleTechnician})
	gone := addPerson(t, s, NewPerson{Name: "Gone", Email: "gone@example.org", Role: RoleOwner})
	if err := s.DisablePerson(t.Context(), gone.ID, "test"); err != nil {
		t.Fatal(err)
	}
	register(t, s, ownedBy("heron-07", "Lee", "lee@example.org"))
	register(t, s, ownedBy("tern-12", "Gone", "gone@example.org"))
	for _, id := range []int32{tech.ID, gone.ID} {
		p, err := s.Person(t.Context(), id)
		if err != nil || len(p.Scope.Properties) != 0 {
			t.Errorf("%+v, %v", p, err)
		}
	}
	if n := count(t, s, `SELECT count(*) FROM person`); n != 2 {
		t.Errorf("%d people, want 2", n)
	}
}
