//go:build !linux

package main

// markFile does nothing here.
func markFile(string) {}
