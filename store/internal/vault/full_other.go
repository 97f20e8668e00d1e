//go:build !windows

package vault

import "syscall"

// errDiskFull is what the system says of a full disk.
const errDiskFull = syscall.ENOSPC
