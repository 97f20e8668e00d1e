package secrets

import "github.com/kistarchive/kist/cmd/kist/internal/cmdline"

var errNone = cmdline.Usagef("no passphrase: give --passphrase-file FILE or --key-file FILE, set KIST_PASSPHRASE_FILE or KIST_KEY_FILE, pass the systemd credential kist.passphrase, or run kist in a terminal")
