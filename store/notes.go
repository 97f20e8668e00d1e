package store

import (
	"fmt"
	"strings"
)

// notes says what made a capture take more than it need.
func (s *session) notes() (notes []string) {
	if len(s.unread) > 0 {
		notes = append(notes, fmt.Sprintf("%s can't be read: what is older may be about to go, and was stored again (repairing removes such marks)", firstOf(s.unread)))
	}
	return notes
}

// maxNamed is how many things of a kind are named in a note or an error.
const maxNamed = 10

// firstOf names the first of many objects.
func firstOf(all []string) string {
	if len(all) <= maxNamed {
		return strings.Join(all, ", ")
	}
	return fmt.Sprintf("%s, and %d more", strings.Join(all[:maxNamed], ", "), len(all)-maxNamed)
}
