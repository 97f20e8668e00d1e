package store

import (
	"fmt"
	"unicode/utf8"
)

// check refuses what a mark can't hold: one with it could not be read again.
func (o MarkOptions) check() error {
	for _, text := range []string{o.Host, o.Reason} {
		if !utf8.ValidString(text) {
			return fmt.Errorf("%w: a host and a reason must be UTF-8 text: %.40q", ErrBadOptions, text)
		}
	}
	return nil
}
