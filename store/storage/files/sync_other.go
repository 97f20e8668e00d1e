//go:build !unix

package files

import "os"

// syncFolder does nothing: Windows has no call that flushes a folder's entries.
func syncFolder(*os.Root, string) error { return nil }
