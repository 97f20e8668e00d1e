package vault

import "golang.org/x/sys/windows"

// errDiskFull is what the system says of a full disk.
const errDiskFull = windows.ERROR_DISK_FULL
