//go:build !linux && !darwin

package main

// freeSpace tells nothing here.
func freeSpace(string) (free int64, device uint64, ok bool) { return 0, 0, false }
