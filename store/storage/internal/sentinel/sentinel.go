// Package sentinel makes errors to compare with that are of another kind as well, as of one of package io/fs.
package sentinel

// New gives an error with a text, for which errors.Is tells that it is kind, too. Each is another one.
func New(text string, kind error) error { return &sentinel{text, kind} }

type sentinel struct {
	text string
	kind error
}

func (s *sentinel) Error() string { return s.text }

func (s *sentinel) Unwrap() error { return s.kind }
