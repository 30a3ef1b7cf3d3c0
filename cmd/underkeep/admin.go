package main

import (
	"context"
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

// listFlag collects a flag that may be given several times.
type listFlag []string

func (l *listFlag) String() string { return strings.Join(*l, ", ") }

func (l *listFlag) Set(v string) error {
	*l = append(*l, v)
	return nil
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
