//go:build !linux && !darwin

package volume

// mounts finds none: a folder that can't be renamed is an error then.
func mounts() ([]string, error) { return nil, nil }
