package secrets

import (
	"fmt"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

var errNone = cmdline.Usagef("no passphrase: give --passphrase-file FILE or --key-file FILE, set KIST_PASSPHRASE_FILE or KIST_KEY_FILE, pass the systemd credential kist.passphrase, or run kist in a terminal")

// A MissingError is returned when a file that was named is not there.
type MissingError struct {
	What string // "key file", "passphrase file"
	Path string
}

func (e *MissingError) Error() string {
	return fmt.Sprintf("%s %s is not there", e.What, screen.Line(e.Path))
}
