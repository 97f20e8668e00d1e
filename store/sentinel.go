package store

// sentinel is an error to compare with that is of a kind of package io/fs as well.
type sentinel struct {
	text string
	kind error
}

func (s *sentinel) Error() string { return s.text }

func (s *sentinel) Unwrap() error { return s.kind }
