package secrets

import (
	"fmt"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// A UsageError is returned when the command line and the environment name no secret, or
// two.
type UsageError struct{ text string }

func (e *UsageError) Error() string { return e.text }

func usagef(format string, args ...any) error { return &UsageError{fmt.Sprintf(format, args...)} }

var errNone = usagef("no passphrase: give --passphrase-file FILE or --key-file FILE, set KIST_PASSPHRASE_FILE or KIST_KEY_FILE, pass the systemd credential kist.passphrase, or run kist in a terminal")

// A MissingError is returned when a file that was named is not there.
type MissingError struct {
	What string // "key file", "passphrase file"
	Path string
}

func (e *MissingError) Error() string {
	return fmt.Sprintf("%s %s is not there", e.What, screen.Line(e.Path))
}
