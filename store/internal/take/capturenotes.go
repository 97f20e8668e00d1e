package take

import (
	"fmt"

	"github.com/kistarchive/kist/store/internal/names"
)

// notes says what made a capture take more than it need.
func (s *session) notes() (notes []string) {
	if len(s.unread) > 0 {
		notes = append(notes, fmt.Sprintf("%s can't be read: what is older may be about to go, and was stored again (repairing removes such marks)", names.Shortened(s.unread, names.Most)))
	}
	return notes
}
