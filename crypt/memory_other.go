//go:build !linux

package crypt

func availableMemory() int64 { return 0 }
