package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"underkeep/api/view"
	"underkeep/store"
)

const tokenUsage = `Usage: underkeep token create --role manager|technician|owner|warranty|operator [--property ID]... --name NAME
                              [--may ACTION]... [--expires 720h]
       underkeep token list
       underkeep token revoke NUMBER`

// runToken creates, lists and revokes bearer tokens. A new one stands alone on
// the last line of stdout.
func runToken(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	if len(args) == 0 || !slices.Contains([]string{"create", "list", "revoke"}, args[0]) {
		fmt.Fprintln(stderr, tokenUsage)
		return exitUsage
	}
	fs, cfg := newFlags("token "+args[0], stderr)
	var work func(*store.Store) error
	var err error
	switch args[0] {
	case "create":
		var n store.NewToken
		n, err = parseToken(fs, args[1:])
		work = func(st *store.Store) error {
			secret, err := st.CreateToken(ctx, n)
			if err == nil {
				fmt.Fprintln(stdout, secret)
			}
			return err
		}
	case "list":
		err = fs.Parse(args[1:])
		work = func(st *store.Store) error { return listTokens(ctx, st, stdout) }
	case "revoke":
		var id int
		id, err = parseNumber(fs, args[1:])
		work = func(st *store.Store) error { return st.RevokeToken(ctx, int32(id), operator()) }
	}
	if err != nil {
		fmt.Fprintf(stderr, "underkeep token %s: %v\n%s\n", args[0], err, tokenUsage)
		return exitUsage
	}
	if err := cfg.withStore(ctx, stderr, work); err != nil {
		fmt.Fprintf(stderr, "underkeep token %s: %v\n", args[0], err)
		return exitNo
	}
	return exitOK
}

// parseNumber reads one number, before or behind the flags.
func parseNumber(fs *flag.FlagSet, args []string) (int, error) {
	word := ""
	if len(args) > 0 && !strings.HasPrefix(args[0], "-") {
		word, args = args[0], args[1:]
	}
	if err := fs.Parse(args); err != nil {
		return 0, err
	}
	if word == "" {
		word = fs.Arg(0)
	}
	n, err := strconv.ParseInt(word, 10, 32)
	if err != nil || n <= 0 {
		return 0, fmt.Errorf("%q is no number of a token; token list shows them", word)
	}
	return int(n), nil
}

func parseToken(fs *flag.FlagSet, args []string) (store.NewToken, error) {
	role := fs.String("role", "", "manager, technician, owner, warranty or operator")
	name := fs.String("name", "", "who or what the token is for")
	expires := fs.Duration("expires", 0, "how long it is good; 0: until it is revoked")
	var properties, actions listFlag
	fs.Var(&properties, "property", "property `ID` the token speaks for; may be repeated; none: all")
	fs.Var(&actions, "may", "`action` that the token is narrowed to; may be repeated; none: all that the role may")
	if err := fs.Parse(args); err != nil {
		return store.NewToken{}, err
	}
	r, ok := store.ParseRole(*role)
	switch {
	case !ok:
		return store.NewToken{}, fmt.Errorf("role %q: want manager, technician, owner, warranty or operator", *role)
	case *name == "":
		return store.NewToken{}, fmt.Errorf("a token needs a name")
	case *expires < 0:
		return store.NewToken{}, fmt.Errorf("expires %s: want a time to come", *expires)
	case fs.NArg() > 0:
		return store.NewToken{}, fmt.Errorf("unexpected %q", fs.Arg(0))
	}
	for _, a := range actions {
		if !slices.Contains(view.ActionNames(), a) {
			return store.NewToken{}, fmt.Errorf("action %q: want one of %s", a, strings.Join(view.ActionNames(), ", "))
		}
	}
	n := store.NewToken{Name: *name, Role: r, Properties: properties, Actions: actions, By: operator()}
	if *expires > 0 {
		n.Expires = time.Now().Add(*expires)
	}
	return n, nil
}

func listTokens(ctx context.Context, st *store.Store, w io.Writer) error {
	found, err := st.Tokens(ctx)
	for _, t := range found {
		whose := strings.Join(t.Scope.Properties, ",")
		if t.Scope.All {
			whose = "all properties"
		}
		state := "last used never"
		switch {
		case !t.Revoked.IsZero():
			state = "revoked " + t.Revoked.Format(time.RFC3339)
		case !t.Expires.IsZero() && time.Now().After(t.Expires):
			state = "expired " + t.Expires.Format(time.RFC3339)
		case !t.LastUsed.IsZero():
			state = "last used " + t.LastUsed.Format(time.RFC3339)
		}
		fmt.Fprintf(w, "%d\t%s\t%s\t%s\t%s\t%s\n", t.ID, t.Role, t.Name, whose, strings.Join(t.Actions, ","), state)
	}
	return err
}

// runAudit prints the audit log, newest first.
func runAudit(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	fs, cfg := newFlags("audit", stderr)
	var q store.AuditQuery
	fs.StringVar(&q.Actor, "actor", "", "who, as in \"person 12\"")
	fs.StringVar(&q.Action, "action", "", "what, as in sign-in")
	fs.StringVar(&q.Object, "object", "", "what it was done to, as in \"property heron-07\"")
	n := fs.Int("n", 100, "at most so `many`")
	if err := fs.Parse(args); err != nil || fs.NArg() > 0 {
		return exitUsage
	}
	err := cfg.withStore(ctx, stderr, func(st *store.Store) error {
		for *n > 0 {
			q.Limit = min(*n, 500)
			page, next, err := st.Audit(ctx, q)
			if err != nil {
				return err
			}
			for _, e := range page {
				outcome := "done"
				if e.Refused {
					outcome = "refused"
				}
				fmt.Fprintf(stdout, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", e.At.Format(time.RFC3339), e.Actor, e.Action, e.Object, outcome, e.Source, e.Detail)
			}
			*n -= len(page)
			if q.Cursor = next; next == "" {
				return nil
			}
		}
		return nil
	})
	if err != nil {
		fmt.Fprintf(stderr, "underkeep audit: %v\n", err)
		return exitNo
	}
	return exitOK
}
