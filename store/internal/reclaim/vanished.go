package reclaim

import (
	"errors"
	"fmt"
	"strings"

	"github.com/kistarchive/kist/store/internal/names"
)

// ErrVanished is returned by Reclaim where captures vanished without having been
// retired: their contents may still be there, for whoever finds the index files.
// The error is a *vanishedError.
var ErrVanished = errors.New("captures have vanished without being retired: nothing is removed")

// VanishedError is errVanished with the captures.
type VanishedError struct {
	Captures []string // their ids, sorted
}

func (e *VanishedError) Error() string {
	text := fmt.Sprintf("%v: %s", ErrVanished, strings.Join(e.Captures, ", "))
	if len(e.Captures) == 0 {
		return text
	}
	return fmt.Sprintf("%s (bring %s back from a copy, or give them up by repairing)", text, names.Capture(e.Captures[0], 0))
}

func (e *VanishedError) Unwrap() error { return ErrVanished }
