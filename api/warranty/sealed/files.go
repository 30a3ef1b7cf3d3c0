package sealed

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"

	"underkeep/api/warranty"
	"underkeep/store/evidence"
	"underkeep/store/site"
)

// Files of a bundle that belong to the warranty.
const (
	fileInForce = "terms/in-force.txt"
	fileVerdict = "verdict/verdict.json"
)

func termsName(t *warranty.Terms) string { return fmt.Sprintf("terms/%s-%d.yaml", t.Name, t.Version) }

// Terms in force with the text of each version.
type Terms struct {
	InForce []warranty.InForce
	Texts   map[string][]byte // by the name that the file has in a bundle
}

// Add a version with its text.
func (t *Terms) Add(f warranty.InForce, text []byte) {
	t.InForce = append(t.InForce, f)
	if t.Texts == nil {
		t.Texts = map[string][]byte{}
	}
	t.Texts[termsName(&f.Terms)] = text
}

// Files gives the verdict on the days and writes it, with the terms, as files of
// a bundle.
func Files(days Days, terms Terms) (warranty.Verdict, []evidence.File, error) {
	v, text, err := judge(days, terms.InForce)
	if err != nil {
		return v, nil, err
	}
	var list strings.Builder
	for _, f := range terms.InForce {
		fmt.Fprintf(&list, "%s %s %d\n", f.From, f.Terms.Name, f.Terms.Version)
	}
	files := []evidence.File{{Name: fileInForce, Content: []byte(list.String())}}
	for name, content := range terms.Texts {
		files = append(files, evidence.File{Name: name, Content: content})
	}
	return v, append(files, evidence.File{Name: fileVerdict, Content: text}), nil
}

// judge gives the verdict and its text. Without a sealed day there is none.
func judge(days Days, terms []warranty.InForce) (warranty.Verdict, []byte, error) {
	if len(days.Records) == 0 {
		return warranty.Verdict{}, []byte("null\n"), nil
	}
	in, err := days.Input(terms)
	if err != nil {
		return warranty.Verdict{}, nil, err
	}
	v, err := warranty.Judge(in)
	if err != nil {
		return v, nil, err
	}
	text, err := json.MarshalIndent(v, "", " ")
	return v, append(text, '\n'), err
}

// Check recomputes the verdict of a bundle from its days and its terms and holds
// it against the one in it. It says in a line what it found; an error is a
// FileError for the first file that does not fit. "" for a bundle without a
// verdict.
func Check(v *evidence.Verified) (string, error) {
	given := map[string][]byte{}
	for _, f := range v.Bundle.Extra {
		given[f.Name] = f.Content
	}
	if len(given) == 0 {
		return "", nil
	}
	terms, err := readTerms(given)
	if err != nil {
		return "", err
	}
	days := Of(v)
	if err := days.contradiction(terms.InForce); err != nil {
		return "", &evidence.FileError{File: fileInForce, Err: err}
	}
	verdict, text, err := judge(days, terms.InForce)
	if err != nil {
		return "", &evidence.FileError{File: fileVerdict, Err: err}
	}
	if !bytes.Equal(text, given[fileVerdict]) {
		return "", &evidence.FileError{File: fileVerdict, Err: fmt.Errorf("from these days and terms follows %q, and the file says otherwise", verdict.Outcome)}
	}
	if err := allLookedAt(given, terms); err != nil {
		return "", err
	}
	if verdict.Outcome == "" {
		return "none: no day of the period is in the log", nil
	}
	return fmt.Sprintf("%s. %s", verdict.Outcome, verdict.Summary), nil
}

// allLookedAt refuses a file that nobody has held against anything.
func allLookedAt(given map[string][]byte, terms Terms) error {
	for name := range given {
		if _, ok := terms.Texts[name]; !ok && name != fileInForce && name != fileVerdict {
			return &evidence.FileError{File: name, Err: fmt.Errorf("nothing names it")}
		}
	}
	return nil
}

func readTerms(given map[string][]byte) (Terms, error) {
	var out Terms
	bad := func(file, format string, args ...any) (Terms, error) {
		return Terms{}, &evidence.FileError{File: file, Err: fmt.Errorf(format, args...)}
	}
	list, ok := given[fileInForce]
	if !ok {
		return bad(fileInForce, "it is missing")
	}
	for line := range strings.Lines(string(list)) {
		var day, name string
		var version int
		if _, err := fmt.Sscanf(line, "%s %s %d\n", &day, &name, &version); err != nil {
			return bad(fileInForce, "line %q: %w", line, err)
		}
		from, err := site.ParseDate(day)
		if err != nil {
			return bad(fileInForce, "line %q: %w", line, err)
		}
		if n := len(out.InForce); n > 0 && !out.InForce[n-1].From.Before(from) || line != fmt.Sprintf("%s %s %d\n", from, name, version) {
			return bad(fileInForce, "line %q is out of order or written otherwise than it must be", line)
		}
		file := fmt.Sprintf("terms/%s-%d.yaml", name, version)
		text, ok := given[file]
		if !ok {
			return bad(file, "it is missing, and %s names it", fileInForce)
		}
		t, err := warranty.ParseTerms(text)
		if err != nil {
			return bad(file, "%w", err)
		}
		if t.Name != name || t.Version != version {
			return bad(file, "it holds %s", t.ID())
		}
		out.Add(warranty.InForce{From: from, Terms: t}, text)
	}
	return out, nil
}
