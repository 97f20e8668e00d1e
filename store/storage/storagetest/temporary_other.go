//go:build !linux

package storagetest

// UseDisk does nothing on systems whose folders for temporary files lie on disks.
func UseDisk() {}
