package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"underkeep/api/warranty/sealed"
	"underkeep/store/evidence"
)

// bundleCheck holds something in a bundle that the log does not speak of against
// the days that it proves.
type bundleCheck struct {
	name string
	// run says in a line what it found; an error is what does not fit. "" when
	// the bundle has nothing of it.
	run func(*evidence.Verified) (string, error)
}

// bundleChecks that follow on the log's own, in order.
func bundleChecks() []bundleCheck { return []bundleCheck{{"verdict", sealed.Check}} }

const verifyUsage = `Usage: underkeep verify BUNDLE --key KEYFILE

Checks an evidence bundle without network and without us: that every file and
every reading in it is covered by the log that the key signs. KEYFILE has public
keys, one a line, as GET /v1/evidence/key gives them; keep one from a time when
you had no quarrel.

Exit codes: 0 everything fits, 1 something does not (the first that does not is
named), 2 wrong usage.
`

// runVerify checks a bundle offline; exit 0 only if all of it fits.
func runVerify(_ context.Context, args []string, stdout, stderr io.Writer) int {
	bundle, keyFile, ok := verifyArgs(args, stderr)
	if !ok {
		fmt.Fprint(stderr, verifyUsage)
		return exitUsage
	}
	text, err := os.ReadFile(keyFile)
	if err != nil {
		fmt.Fprintf(stderr, "underkeep verify: %v\n", err)
		return exitUsage
	}
	keys, err := evidence.ParseKeys(string(text))
	if err != nil {
		fmt.Fprintf(stderr, "underkeep verify: %s: %v\n", keyFile, err)
		return exitUsage
	}
	data, err := os.ReadFile(bundle)
	if err != nil {
		fmt.Fprintf(stderr, "underkeep verify: %v\n", err)
		return exitUsage
	}
	if err := verifyBundle(data, keys, stdout); err != nil {
		fmt.Fprintf(stdout, "%s does not verify: %v\n", bundle, err)
		return exitNo
	}
	return exitOK
}

// verifyArgs takes file and flag in any order.
func verifyArgs(args []string, stderr io.Writer) (bundle, keyFile string, ok bool) {
	fs, _ := newFlags("verify", stderr)
	fs.StringVar(&keyFile, "key", "", "`file` with public keys of the log")
	fs.Usage = func() {}
	for len(args) > 0 {
		if err := fs.Parse(args); err != nil {
			return "", "", false
		}
		if args = fs.Args(); len(args) > 0 {
			if bundle != "" {
				return "", "", false
			}
			bundle, args = args[0], args[1:]
		}
	}
	return bundle, keyFile, bundle != "" && keyFile != ""
}

func verifyBundle(data []byte, keys evidence.Keys, stdout io.Writer) error {
	b, err := evidence.OpenBundle(data)
	if err != nil {
		return err
	}
	v, err := evidence.VerifyLog(b, keys)
	if err != nil {
		return err
	}
	fmt.Fprintln(stdout, v)
	for _, d := range b.Missing {
		fmt.Fprintf(stdout, "%s: not in the log\n", d)
	}
	for _, d := range v.Days {
		if d.Unwitnessed {
			fmt.Fprintf(stdout, "%s, amendment %d: unwitnessed, %d readings that came too late to prove anything\n", d.Date, d.Amendment, d.Count())
		}
	}
	return checkRest(v, stdout)
}

// checkRest runs the further checks. What none of them has looked at is said to
// be unchecked: exit 0 must not cover it.
func checkRest(v *evidence.Verified, stdout io.Writer) error {
	checks := bundleChecks()
	for _, c := range checks {
		found, err := c.run(v)
		if err != nil {
			return fmt.Errorf("%s: %w", c.name, err)
		}
		if found != "" {
			fmt.Fprintf(stdout, "%s: %s\n", c.name, found)
		}
	}
	if len(checks) == 0 && len(v.Bundle.Extra) > 0 {
		return &evidence.FileError{File: v.Bundle.Extra[0].Name, Err: errors.New("this program cannot check it")}
	}
	return nil
}
