package evidence

import (
	"archive/zip"
	"bytes"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

func sampleFiles() []File {
	return []File{{"README.txt", []byte("read me\n")}, {"days/2026-03-02.txt", []byte("a day\n")}, {"empty", nil}}
}

// TestOthersReadTheContainer: the standard library and, where it is installed,
// Python agree about what is in it.
func TestOthersReadTheContainer(t *testing.T) {
	t.Parallel()
	data, err := WriteZip(sampleFiles())
	if err != nil {
		t.Fatal(err)
	}
	r, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range sampleFiles() {
		f, err := r.File[i].Open()
		if err != nil {
			t.Fatal(err)
		}
		content, err := io.ReadAll(f) // checks the CRC
		if err != nil || !bytes.Equal(content, want.Content) || r.File[i].Name != want.Name {
			t.Error(r.File[i].Name, string(content), err)
		}
	}
	python, err := exec.LookPath("python3")
	if err != nil {
		return
	}
	name := filepath.Join(t.TempDir(), "a.zip")
	if err := os.WriteFile(name, data, 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(python, "-m", "zipfile", "-t", name).CombinedOutput()
	if err != nil || !strings.Contains(string(out), "Done testing") {
		t.Errorf("python: %s, %v", out, err)
	}
}

// TestEveryBitOfTheContainerCounts: contents are for the checks of the bundle,
// all else is for the container.
func TestEveryBitOfTheContainerCounts(t *testing.T) {
	t.Parallel()
	data, err := WriteZip(sampleFiles())
	if err != nil {
		t.Fatal(err)
	}
	for i := range data {
		for bit := range 8 {
			spoilt := bytes.Clone(data)
			spoilt[i] ^= 1 << bit
			if _, err := ReadZip(spoilt); !errors.Is(err, ErrContainer) {
				t.Fatalf("byte %d, bit %d: %v", i, bit, err)
			}
		}
	}
	for n := range data {
		if _, err := ReadZip(data[:n]); err == nil {
			t.Fatalf("taken when cut to %d bytes", n)
		}
	}
	if _, err := ReadZip(append(bytes.Clone(data), 0)); err == nil {
		t.Error("taken with a byte behind its end")
	}
}

func TestNamesInTheContainer(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"", "/a", "../a", "a/../b", "a//b", "a/", "a b", "a\\b", "C:a", "ä", "a\n"} {
		if _, err := WriteZip([]File{{Name: name}}); err == nil {
			t.Errorf("%q is taken for a name", name)
		}
	}
	if _, err := WriteZip([]File{{Name: "a"}, {Name: "a"}}); err == nil {
		t.Error("one name twice")
	}
}
