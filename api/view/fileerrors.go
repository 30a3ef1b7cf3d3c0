package view

import (
	"errors"
	"fmt"

	"underkeep/store/site"
)

// ErrBusy is returned for work of which only so much is done at a time.
var ErrBusy = errors.New("busy with another")

// FileErrorsOf shows what a reader of property files refused; any other error
// stays what it is.
func FileErrorsOf(err error) error {
	var problems *site.FileError
	if !errors.As(err, &problems) {
		return err
	}
	var out FileErrors
	for _, p := range problems.Problems {
		out = append(out, FileError{Line: p.Line, Field: p.Field, Problem: p.Message})
	}
	if problems.More > 0 {
		out = append(out, FileError{Problem: fmt.Sprintf("and %d more problems", problems.More)})
	}
	return out
}
