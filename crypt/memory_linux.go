package crypt

import "os"

func availableMemory() int64 { return memoryOf(os.DirFS("/")) }
