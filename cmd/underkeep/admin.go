package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"os"
	"os/user"
	"strings"

	"underkeep/store"
)

// operator is who a command is done by, for the records.
func operator() string {
	if u, err := user.Current(); err == nil {
		return "command line, " + u.Username
	}
	return "command line"
}

// runRegister adds or updates properties from property files, all or nothing
// per file.
func runRegister(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	fs, cfg := newFlags("register", stderr)
	if err := fs.Parse(args); err != nil {
		return exitUsage
	}
	if fs.NArg() == 0 {
		fmt.Fprintln(stderr, "Usage: underkeep register FILE...")
		return exitUsage
	}
	code := exitOK
	err := cfg.withStore(ctx, stderr, func(st *store.Store) error {
		for _, name := range fs.Args() {
			if err := registerFile(ctx, st, name, stdout); err != nil {
				fmt.Fprintf(stderr, "underkeep register: %v\n", err)
				code = exitUsage
			}
		}
		return nil
	})
	if err != nil {
		fmt.Fprintf(stderr, "underkeep register: %v\n", err)
		return exitNo
	}
	return code
}

func registerFile(ctx context.Context, st *store.Store, name string, stdout io.Writer) error {
	data, err := os.ReadFile(name)
	if err != nil {
		return err
	}
	done, err := st.RegisterFile(ctx, data, name, operator())
	if err != nil {
		return err
	}
	for _, r := range done {
		fmt.Fprintf(stdout, "%s: %s\n", r.Property, outcome(r))
	}
	return nil
}

// runGateway adds a gateway and prints its credentials, once.
func runGateway(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	if len(args) == 0 || args[0] != "add" {
		fmt.Fprintln(stderr, "Usage: underkeep gateway add PROPERTY GATEWAY")
		return exitUsage
	}
	fs, cfg := newFlags("gateway add", stderr)
	if err := fs.Parse(args[1:]); err != nil {
		return exitUsage
	}
	if fs.NArg() != 2 {
		fmt.Fprintln(stderr, "Usage: underkeep gateway add PROPERTY GATEWAY")
		return exitUsage
	}
	err := cfg.withStore(ctx, stderr, func(st *store.Store) error {
		c, err := st.AddGateway(ctx, fs.Arg(0), fs.Arg(1), operator())
		if err == nil {
			fmt.Fprintf(stdout, "username: %s\npassword: %s\n", c.Username, c.Password)
		}
		return err
	})
	if err != nil {
		fmt.Fprintf(stderr, "underkeep gateway add: %v\n", err)
		return exitNo
	}
	return exitOK
}

// listFlag collects a flag that may be given several times.
type listFlag []string

func (l *listFlag) String() string { return strings.Join(*l, ", ") }

func (l *listFlag) Set(v string) error {
	*l = append(*l, v)
	return nil
}

const tokenUsage = "Usage: underkeep token create --role manager|technician|owner|warranty [--property ID]... --name NAME"

// runToken creates a bearer token; it stands alone on the last line of stdout.
func runToken(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	if len(args) == 0 || args[0] != "create" {
		fmt.Fprintln(stderr, tokenUsage)
		return exitUsage
	}
	fs, cfg := newFlags("token create", stderr)
	n, err := parseToken(fs, args[1:])
	if err != nil {
		fmt.Fprintf(stderr, "underkeep token create: %v\n%s\n", err, tokenUsage)
		return exitUsage
	}
	err = cfg.withStore(ctx, stderr, func(st *store.Store) error {
		secret, err := st.CreateToken(ctx, n)
		if err == nil {
			fmt.Fprintln(stdout, secret)
		}
		return err
	})
	if err != nil {
		fmt.Fprintf(stderr, "underkeep token create: %v\n", err)
		return exitNo
	}
	return exitOK
}

func parseToken(fs *flag.FlagSet, args []string) (store.NewToken, error) {
	role := fs.String("role", "", "manager, technician, owner or warranty")
	name := fs.String("name", "", "who or what the token is for")
	var properties listFlag
	fs.Var(&properties, "property", "property `ID` the token speaks for; may be repeated; none: all")
	if err := fs.Parse(args); err != nil {
		return store.NewToken{}, err
	}
	r, ok := store.ParseRole(*role)
	switch {
	case !ok:
		return store.NewToken{}, fmt.Errorf("role %q: want manager, technician, owner or warranty", *role)
	case *name == "":
		return store.NewToken{}, fmt.Errorf("a token needs a name")
	case fs.NArg() > 0:
		return store.NewToken{}, fmt.Errorf("unexpected %q", fs.Arg(0))
	}
	return store.NewToken{Name: *name, Role: r, Properties: properties, By: operator()}, nil
}

// outcome says in words what registering a description did.
func outcome(r store.Registration) string {
	switch {
	case r.Created:
		return "added"
	case r.Changed:
		return fmt.Sprintf("updated, version %d", r.Version)
	}
	return "unchanged"
}
