package main

import (
	"bufio"
	"context"
	"crypto/rand"
	"encoding/base32"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"

	"underkeep/store"
)

const personUsage = `Usage: underkeep person add --role manager|technician|owner|warranty|operator --name NAME
                            [--email ADDRESS] [--phone NUMBER] [--all | --property ID...] [--language en|es]
                            [--units us|si] [--stdin]
       underkeep person change PERSON [the same flags] [--withdraw ID...]
       underkeep person list [--role ROLE] [--property ID] [--disabled]
       underkeep person password PERSON [--stdin]
       underkeep person disable|enable PERSON
PERSON is a number or an e-mail address. --stdin reads the password from the first line of the input;
"password" without it makes one and prints it, once.`

// runPerson adds, changes and lists the people who sign in or are written to.
func runPerson(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	actions := map[string]func(*personCommand, context.Context, *store.Store) error{
		"add": (*personCommand).add, "change": (*personCommand).change, "list": (*personCommand).list,
		"password": (*personCommand).password, "disable": (*personCommand).disable, "enable": (*personCommand).enable,
	}
	if len(args) == 0 || actions[args[0]] == nil {
		fmt.Fprintln(stderr, personUsage)
		return exitUsage
	}
	fs, cfg := newFlags("person "+args[0], stderr)
	c := &personCommand{in: os.Stdin, out: stdout, flags: fs}
	if err := c.parse(args[0], args[1:]); err != nil {
		fmt.Fprintf(stderr, "underkeep person %s: %v\n%s\n", args[0], err, personUsage)
		return exitUsage
	}
	err := cfg.withStore(ctx, stderr, func(st *store.Store) error { return actions[args[0]](c, ctx, st) })
	if err != nil {
		fmt.Fprintf(stderr, "underkeep person %s: %v\n", args[0], err)
		return exitNo
	}
	return exitOK
}

// personCommand is one "underkeep person" with its flags.
type personCommand struct {
	in    io.Reader
	out   io.Writer
	flags *flag.FlagSet

	who                                       string // PERSON
	role, name, email, phone, language, units string
	all, stdin, disabled                      bool
	properties, withdrawn                     listFlag
}

func (c *personCommand) parse(action string, args []string) error {
	if action == "change" || action == "password" || action == "disable" || action == "enable" {
		if len(args) == 0 || strings.HasPrefix(args[0], "-") {
			return errors.New("which person?")
		}
		c.who, args = args[0], args[1:]
	}
	fs := c.flags
	fs.StringVar(&c.role, "role", "", "manager, technician, owner, warranty or operator")
	fs.StringVar(&c.name, "name", "", "name of the person")
	fs.StringVar(&c.email, "email", "", "e-mail `address`")
	fs.StringVar(&c.phone, "phone", "", "phone `number` for text messages, as in +15550100200")
	fs.StringVar(&c.language, "language", "en", "en or es")
	fs.StringVar(&c.units, "units", "", "us or si; empty: those of the property")
	fs.BoolVar(&c.all, "all", false, "every property, also those to come")
	fs.BoolVar(&c.stdin, "stdin", false, "read the password from the first line of the input")
	fs.BoolVar(&c.disabled, "disabled", false, "list those disabled, too")
	fs.Var(&c.properties, "property", "property `ID` owned or assigned; may be repeated")
	fs.Var(&c.withdrawn, "withdraw", "property `ID` to take away; may be repeated")
	if err := fs.Parse(args); err != nil {
		return err
	}
	if fs.NArg() > 0 {
		return fmt.Errorf("unexpected %q", fs.Arg(0))
	}
	if _, ok := store.ParseRole(c.role); !ok && (action == "add" || c.role != "") {
		return fmt.Errorf("role %q: want manager, technician, owner, warranty or operator", c.role)
	}
	return nil
}

// find looks the person up by number or e-mail address.
func (c *personCommand) find(ctx context.Context, st *store.Store) (store.Person, error) {
	if n, err := strconv.ParseInt(c.who, 10, 32); err == nil {
		return st.Person(ctx, int32(n))
	}
	return st.PersonByEmail(ctx, c.who)
}

// secret reads the password of --stdin; "" without the flag.
func (c *personCommand) secret() (string, error) {
	if !c.stdin {
		return "", nil
	}
	line, err := bufio.NewReader(io.LimitReader(c.in, 1024)).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return "", fmt.Errorf("read the password: %w", err)
	}
	if line = strings.TrimRight(line, "\r\n"); line == "" {
		return "", errors.New("no password on the input")
	}
	return line, nil
}

func (c *personCommand) add(ctx context.Context, st *store.Store) error {
	password, err := c.secret()
	if err != nil {
		return err
	}
	p, err := st.AddPerson(ctx, store.NewPerson{
		Name: c.name, Email: c.email, Phone: c.phone, Role: store.Role(c.role), All: c.all, Properties: c.properties,
		Language: c.language, Units: c.units, Password: password, By: operator(),
	})
	if err == nil {
		c.show(p)
	}
	return err
}

func (c *personCommand) change(ctx context.Context, st *store.Store) error {
	p, err := c.find(ctx, st)
	if err != nil {
		return err
	}
	change := store.PersonChange{Grant: c.properties, Withdraw: c.withdrawn, By: operator()}
	role := store.Role(c.role)
	c.flags.Visit(func(f *flag.Flag) {
		switch f.Name {
		case "role":
			change.Role = &role
		case "name":
			change.Name = &c.name
		case "email":
			change.Email = &c.email
		case "phone":
			change.Phone = &c.phone
		case "language":
			change.Language = &c.language
		case "units":
			change.Units = &c.units
		case "all":
			change.All = &c.all
		}
	})
	if p, err = st.ChangePerson(ctx, p.ID, change); err == nil {
		c.show(p)
	}
	return err
}

func (c *personCommand) password(ctx context.Context, st *store.Store) error {
	p, err := c.find(ctx, st)
	if err != nil {
		return err
	}
	password, err := c.secret()
	if err != nil {
		return err
	}
	made := password == ""
	if made {
		password = newPassword()
	}
	if _, err = st.ChangePerson(ctx, p.ID, store.PersonChange{Password: &password, By: operator()}); err == nil && made {
		fmt.Fprintf(c.out, "password: %s\n", password)
	}
	return err
}

// newPassword has 100 bits, in letters and digits that are hard to mistake.
func newPassword() string {
	var b [13]byte
	rand.Read(b[:]) // never fails, crypto/rand
	text := strings.ToLower(base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString(b[:]))
	return text[:5] + "-" + text[5:10] + "-" + text[10:15] + "-" + text[15:20]
}

func (c *personCommand) disable(ctx context.Context, st *store.Store) error {
	return c.able(ctx, st, true)
}
func (c *personCommand) enable(ctx context.Context, st *store.Store) error {
	return c.able(ctx, st, false)
}

func (c *personCommand) able(ctx context.Context, st *store.Store, disabled bool) error {
	p, err := c.find(ctx, st)
	if err != nil {
		return err
	}
	if p, err = st.ChangePerson(ctx, p.ID, store.PersonChange{Disabled: &disabled, By: operator()}); err == nil {
		c.show(p)
	}
	return err
}

func (c *personCommand) list(ctx context.Context, st *store.Store) error {
	q := store.PeopleQuery{Property: firstOf(c.properties), Disabled: c.disabled}
	if c.role != "" {
		q.Roles = []store.Role{store.Role(c.role)}
	}
	for {
		page, next, err := st.People(ctx, q)
		if err != nil {
			return err
		}
		for _, p := range page {
			c.show(p)
		}
		if q.Cursor = next; next == "" {
			return nil
		}
	}
}

func firstOf(l listFlag) string {
	if len(l) == 0 {
		return ""
	}
	return l[0]
}

// show prints one person a line.
func (c *personCommand) show(p store.Person) {
	whose := strings.Join(p.Scope.Properties, ",")
	if p.Scope.All {
		whose = "all properties"
	}
	state := ""
	if !p.Disabled.IsZero() {
		state = "disabled"
	}
	fmt.Fprintf(c.out, "%d\t%s\t%s\t%s\t%s\t%s\n", p.ID, p.Role, p.Name, p.Email, whose, state)
}
