//go:build !linux

package demo

// markFile does nothing here.
func markFile(string) {}
