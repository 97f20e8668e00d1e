package store

import "github.com/kistarchive/kist/store/internal/format"

// FormatVersion is the version of the format that repositories have: FORMAT.md specifies it.
const FormatVersion = format.Version
