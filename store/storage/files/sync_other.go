//go:build !unix

package files

import "os"

// syncFolder does nothing: Windows has no call that flushes a folder's entries.
func syncFolder(*os.File) error { return nil }
