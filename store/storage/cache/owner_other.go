//go:build !unix

package cache

import "io/fs"

const (
	hasModes = false
	dontWait = 0
)

func isOurs(fs.FileInfo) bool  { return true }
func isRoots(fs.FileInfo) bool { return false }
