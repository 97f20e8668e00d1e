//go:build !linux

package volume

import "testing"

func mount(t testing.TB, _ string) { t.Skip("needs a file system that can be mounted") }
