//go:build !linux && !darwin

package files

// Available tells nothing here.
func Available(string) (free int64, ok bool) { return 0, false }
