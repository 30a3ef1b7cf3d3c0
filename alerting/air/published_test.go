package air

import (
	"bufio"
	"compress/gzip"
	"encoding/csv"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// row is one line of a published table, by column name.
type row map[string]string

// published reads a table of testdata/published; lines that begin with # name
// its source. Every table has to have as many rows as the test says, so that a
// shortened one cannot pass.
func published(t testing.TB, name string, rows int) []row {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "published", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var in io.Reader = bufio.NewReader(f)
	if strings.HasSuffix(name, ".gz") {
		if in, err = gzip.NewReader(in); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
	}
	r := csv.NewReader(in)
	r.Comment = '#'
	lines, err := r.ReadAll()
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	table := make([]row, 0, len(lines))
	for _, line := range lines[1:] {
		one := row{}
		for i, column := range lines[0] {
			one[column] = line[i]
		}
		table = append(table, one)
	}
	if len(table) != rows {
		t.Fatalf("%s has %d rows, want %d", name, len(table), rows)
	}
	return table
}

// num is a column as a number.
func (r row) num(t testing.TB, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(r[column], 64)
	if err != nil {
		t.Fatalf("%v: %s: %v", r, column, err)
	}
	return v
}

// near fails unless got is within tol of want; NaN is never near.
func near(t testing.TB, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.8g, want %.8g ± %.3g (off by %.3g)", what, got, want, tol, got-want)
	}
}

// must is for values whose input the test knows to be good. The result is NaN on
// an error, which nothing is near to.
func must(t testing.TB) func(float64, error) float64 {
	return func(v float64, err error) float64 {
		t.Helper()
		if err != nil {
			t.Error(err)
			return math.NaN()
		}
		return v
	}
}
