package pages

import (
	"strings"
	"testing"
)

func TestStormsIn(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		mm     []float64
		storms int
		total  float64
	}{
		{"none", make([]float64, 48), 0, 0},
		{"a shower", []float64{0, 1, 0, 0, 0, 0, 0, 0}, 0, 0},
		{"one with a short break", []float64{3, 0, 0, 0, 0, 0, 3}, 1, 6},
		{"two", []float64{3, 0, 0, 0, 0, 0, 0, 4}, 2, 7},
		{"under way", []float64{0, 0, 5}, 1, 5},
	} {
		if n, mm := stormsIn(c.mm); n != c.storms || mm != c.total {
			t.Errorf("%s: %d storms of %v mm, want %d of %v", c.name, n, mm, c.storms, c.total)
		}
	}
}

// TestMissingHoursAreNotGood: neither is a single bad hour rounded away.
func TestMissingHoursAreNotGood(t *testing.T) {
	t.Parallel()
	if says := airWords(719, 720, 720); !strings.Contains(says, " 99 %") {
		t.Error(says)
	}
	if says := airWords(700, 700, 720); !strings.Contains(says, "all the time") || !strings.Contains(says, "20 hours we have no figures") {
		t.Error(says)
	}
	if says := airWords(0, 0, 720); strings.Contains(says, "as it should be") {
		t.Error(says)
	}
}
