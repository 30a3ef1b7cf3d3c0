package site

import (
	"fmt"
	"sort"
	"strings"
)

// maxProblems bounds how many problems of one file are kept; what lies beyond
// is counted.
const maxProblems = 200

// Problem is one thing wrong in a property file.
type Problem struct {
	Line    int    `json:"line"`    // 1-based
	Field   string `json:"field"`   // path such as "sump.float_on" or "points[2].air", "" for the whole file
	Message string `json:"message"` // what is wrong, and what is accepted instead
}

// FileError is everything that is wrong with one property file.
type FileError struct {
	File     string
	Problems []Problem // by line
	More     int       // further problems, beyond the number that is kept
}

// Error has one line for each problem: file, line, field and reason.
func (e *FileError) Error() string {
	lines := make([]string, 0, len(e.Problems)+1)
	for _, p := range e.Problems {
		where := ""
		if p.Field != "" {
			where = p.Field + ": "
		}
		lines = append(lines, fmt.Sprintf("%s:%d: %s%s", e.File, p.Line, where, p.Message))
	}
	if e.More > 0 {
		lines = append(lines, fmt.Sprintf("%s: and %d more problems", e.File, e.More))
	}
	return strings.Join(lines, "\n")
}

// problems collects what is wrong while a file is read to its end.
type problems struct {
	file string
	list []Problem
	more int
}

func (p *problems) add(line int, field, format string, args ...any) {
	if len(p.list) >= maxProblems {
		p.more++
		return
	}
	p.list = append(p.list, Problem{Line: line, Field: field, Message: fmt.Sprintf(format, args...)})
}

// err is a *FileError, or nil when nothing is wrong.
func (p *problems) err() error {
	if len(p.list) == 0 {
		return nil
	}
	sort.SliceStable(p.list, func(i, j int) bool { return p.list[i].Line < p.list[j].Line })
	return &FileError{File: p.file, Problems: p.list, More: p.more}
}
