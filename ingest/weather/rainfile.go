package weather

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
)

// RainLine is one line of a file of rain.
type RainLine struct {
	Number int    // in the file, from 1
	Text   string // as it stands there
	At     time.Time
	MM     float64 // since the line before
	Err    error   // why it cannot be used; At and MM are then nothing
}

const (
	maxRainLine = 1000
	// MaxRainLines of one file: ten years of 5-minute figures.
	MaxRainLines = 1_100_000
)

var rainUnits = map[string]float64{"mm": 1, "cm": 10, "m": 1000, "in": 25.4}

// ReadRain reads a file of rain: comma-separated, with a header that names the
// columns time (RFC 3339, the end of the interval) and depth with its unit, as in
//
//	time,depth [mm]
//	2026-03-02T10:00:00-05:00,2.5
//
// Depth is what fell since the line before. Other columns are passed over, lines
// that begin with # and empty ones too. An empty depth is unknown, which is not
// zero, and is left out. f is called for every other line, good or bad. The error
// is of the file as a whole: its header, or its size.
func ReadRain(r io.Reader, f func(RainLine) error) error {
	lines := bufio.NewScanner(r)
	lines.Buffer(make([]byte, 4096), 1<<20)
	var h *rainHeader
	n := 0
	for lines.Scan() {
		n++
		text := strings.TrimSpace(strings.TrimPrefix(lines.Text(), "\ufeff"))
		switch {
		case text == "" || text[0] == '#':
			continue
		case n > MaxRainLines:
			return fmt.Errorf("more than %d lines", MaxRainLines)
		case h == nil:
			var err error
			if h, err = readRainHeader(text); err != nil {
				return fmt.Errorf("line %d: %w", n, err)
			}
			continue
		}
		line, unknown := h.read(text)
		if unknown {
			continue
		}
		line.Number = n
		if err := f(line); err != nil {
			return err
		}
	}
	if err := lines.Err(); err != nil {
		return fmt.Errorf("line %d: %w", n+1, err)
	}
	if h == nil {
		return errors.New("the file has no header; want: time,depth [mm]")
	}
	return nil
}

type rainHeader struct {
	time, depth, columns int
	unit                 float64
}

func readRainHeader(text string) (*rainHeader, error) {
	h := &rainHeader{time: -1, depth: -1}
	for i, c := range strings.Split(text, ",") {
		h.columns++
		name := strings.ToLower(strings.Trim(strings.TrimSpace(c), `"`))
		word, unit, _ := strings.Cut(strings.NewReplacer("[", " ", "]", "", "(", " ", ")", "", "_", " ").Replace(name), " ")
		switch {
		case name == "time" && h.time < 0:
			h.time = i
		case word == "depth" && h.depth < 0:
			var ok bool
			if h.unit, ok = rainUnits[strings.TrimSpace(unit)]; !ok {
				return nil, fmt.Errorf("column %q: the unit of depth is mm, cm, m or in", c)
			}
			h.depth = i
		case name == "time" || word == "depth":
			return nil, fmt.Errorf("column %q stands twice", c)
		}
	}
	if h.time < 0 || h.depth < 0 {
		return nil, fmt.Errorf("header %.80q: want the columns time and depth with its unit, as time,depth [mm]", text)
	}
	return h, nil
}

func (h *rainHeader) read(text string) (line RainLine, unknown bool) {
	line.Text = text[:min(len(text), maxRainLine)]
	fields := strings.Split(text, ",")
	if len(fields) != h.columns {
		line.Err = fmt.Errorf("%d columns; the header has %d", len(fields), h.columns)
		return line, false
	}
	field := func(i int) string { return strings.Trim(strings.TrimSpace(fields[i]), `"`) }
	at, err := time.Parse(time.RFC3339, field(h.time))
	if err != nil {
		line.Err = fmt.Errorf("time %.40q is not RFC 3339, as 2026-03-02T10:00:00-05:00", field(h.time))
		return line, false
	}
	if field(h.depth) == "" {
		return line, true
	}
	mm, err := strconv.ParseFloat(field(h.depth), 64)
	if err != nil || math.IsNaN(mm) || math.IsInf(mm, 0) {
		line.Err = fmt.Errorf("depth %.40q is no number", field(h.depth))
		return line, false
	}
	line.At, line.MM = at.UTC(), mm*h.unit
	return line, false
}
