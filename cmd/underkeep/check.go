package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"

	"underkeep/store/site"
	"underkeep/store/site/asbuilt"
)

const checkUsage = `Usage: underkeep check FILE [--json]

Checks a property file and, against published formulas and codes, what it says
was installed. FILE may be - for standard input.

Exit codes: 0 nothing that was checked falls short of a requirement, 1 something
does, 2 wrong usage or a file that cannot be used.
`

// runCheck is the as-built check of a property file: exit 0 when no requirement
// is broken (figures may still ask for attention, or be unchecked), 1 when one
// is not met, 2 for wrong usage or an unusable file.
func runCheck(_ context.Context, args []string, stdout, stderr io.Writer) int {
	file, asJSON, ok := checkArgs(args, stdout, stderr)
	if !ok {
		return exitUsage
	}
	if file == "" {
		return exitOK // only help was asked for
	}
	data, err := readBounded(file)
	if err != nil {
		fmt.Fprintf(stderr, "underkeep check: %v\n", err)
		return exitUsage
	}
	properties, err := site.ParseProperties(data, file)
	if err != nil {
		reportProblems(err, asJSON, stdout, stderr)
		return exitUsage
	}
	code := exitOK
	for _, p := range properties {
		report := asbuilt.Check(p)
		if report.Status() == asbuilt.NotMet {
			code = exitNo
		}
		if err := writeCheck(stdout, p, report, asJSON); err != nil {
			fmt.Fprintf(stderr, "underkeep check: write the report: %v\n", err)
			return exitNo
		}
	}
	return code
}

// checkArgs takes the file and the flag in any order. An empty file with ok
// means that help was printed.
func checkArgs(args []string, stdout, stderr io.Writer) (file string, asJSON, ok bool) {
	for _, a := range args {
		switch {
		case a == "--json" || a == "-json":
			asJSON = true
		case a == "--help" || a == "-help" || a == "-h":
			fmt.Fprint(stdout, checkUsage)
			return "", false, true
		case len(a) > 1 && a[0] == '-':
			fmt.Fprintf(stderr, "underkeep check: no option %s\n\n%s", a, checkUsage)
			return "", false, false
		case file != "":
			fmt.Fprintf(stderr, "underkeep check: one file at a time\n\n%s", checkUsage)
			return "", false, false
		default:
			file = a
		}
	}
	if file == "" {
		fmt.Fprintf(stderr, "underkeep check: which file?\n\n%s", checkUsage)
		return "", false, false
	}
	return file, asJSON, true
}

// readBounded reads a file, or standard input for "-", a byte further than the
// parser accepts, so that the parser is the one to refuse it.
func readBounded(file string) ([]byte, error) {
	in := io.Reader(os.Stdin)
	if file != "-" {
		f, err := os.Open(file)
		if err != nil {
			return nil, err
		}
		defer f.Close()
		in = f
	}
	data, err := io.ReadAll(io.LimitReader(in, site.MaxFileBytes+1))
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", file, err)
	}
	return data, nil
}

// reportProblems says what is wrong with the file: as text on stderr, or as JSON
// on stdout for whoever asked for that.
func reportProblems(err error, asJSON bool, stdout, stderr io.Writer) {
	var fe *site.FileError
	if !asJSON || !errors.As(err, &fe) {
		fmt.Fprintln(stderr, err)
		return
	}
	out := struct {
		File     string         `json:"file"`
		Problems []site.Problem `json:"problems"`
		More     int            `json:"more,omitempty"`
	}{fe.File, fe.Problems, fe.More}
	enc := json.NewEncoder(stdout)
	enc.SetIndent("", "  ")
	if err := enc.Encode(out); err != nil {
		fmt.Fprintln(stderr, err)
	}
}

func writeCheck(w io.Writer, p site.Property, r asbuilt.Report, asJSON bool) error {
	if asJSON {
		enc := json.NewEncoder(w)
		enc.SetIndent("", "  ")
		enc.SetEscapeHTML(false)
		return enc.Encode(checkJSON(p, r))
	}
	_, err := io.WriteString(w, checkText(p, r))
	return err
}
