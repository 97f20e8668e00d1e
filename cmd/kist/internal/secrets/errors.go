package secrets

import "github.com/kistarchive/kist/cmd/kist/internal/cmdline"

var errNoneOfOther = cmdline.Usagef("no passphrase of that place: give --other-passphrase-file FILE or --other-key-file FILE, set KIST_OTHER_PASSPHRASE_FILE or KIST_OTHER_KEY_FILE, or run kist in a terminal")

var errNone = cmdline.Usagef("no passphrase: give --passphrase-file FILE or --key-file FILE, set KIST_PASSPHRASE_FILE or KIST_KEY_FILE, pass the systemd credential kist.passphrase, or run kist in a terminal")
