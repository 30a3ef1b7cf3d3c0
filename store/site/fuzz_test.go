package site_test

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"underkeep/store/site"
)

// addFiles seeds a fuzz target with the property files of testdata.
func addFiles(f *testing.F) {
	f.Helper()
	files, err := filepath.Glob("testdata/*.yaml")
	if err != nil {
		f.Fatal(err)
	}
	for _, name := range files {
		data, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
}

// Whatever the bytes: no panic, an error that names lines, or properties whose
// canonical text reads back to the same.
func FuzzParseProperties(f *testing.F) {
	addFiles(f)
	f.Add([]byte(minimal))
	f.Add([]byte(minimal + "---\n" + minimal))
	f.Add([]byte("? a\n: b\n- &x [*x, {<<: !!str 1}]"))
	f.Fuzz(func(t *testing.T, data []byte) {
		ps, err := site.ParseProperties(data, "f.yaml")
		if err != nil {
			checkFileError(t, err)
			return
		}
		for _, p := range ps {
			p.Missing()
			text := site.FormatProperty(p)
			again, err := site.ParseProperty(text, "again.yaml")
			if err != nil {
				t.Fatalf("%v in the canonical text\n%s", err, text)
			}
			if d := cmp.Diff(p, again); d != "" {
				t.Fatalf("-first +again:\n%s\n%s", d, text)
			}
		}
	})
}

func FuzzParseLimits(f *testing.F) {
	f.Add([]byte("humidity-high: {above: 58 %RH, sustained: 4h}\nfreeze-risk: off\n"))
	f.Add([]byte("limits:\n  mold-risk: {low: 1, medium: 2.5, clear_share: 60 %}\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		l, err := site.ParseLimits(data, "l.yaml")
		if err != nil {
			checkFileError(t, err)
			return
		}
		for _, s := range site.LimitSpecs() {
			if v := l.Value(s.Condition, s.Param); v != v {
				t.Fatalf("%s.%s is no number", s.Condition, s.Param)
			}
		}
	})
}

func checkFileError(t *testing.T, err error) {
	t.Helper()
	var fe *site.FileError
	if !errors.As(err, &fe) || len(fe.Problems) == 0 {
		t.Fatalf("%T: %v", err, err)
	}
	for _, p := range fe.Problems {
		if p.Line < 1 || p.Message == "" {
			t.Fatalf("problem without line or message: %+v", p)
		}
	}
}
