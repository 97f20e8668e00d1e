package crypt

import (
	"bufio"
	"bytes"
	"io/fs"
	"path"
	"strconv"
	"strings"
)

// memoryOf gives the memory in bytes that a Linux machine has to spare for a process:
// what /proc/meminfo says is available (proc_meminfo(5)), or the limit of the process's
// control group or of one above it where that is lower (cgroups(7)). 0: not known.
func memoryOf(root fs.FS) int64 {
	least := meminfo(root)
	for _, limit := range controlGroupLimits(root) {
		if least == 0 || limit < least {
			least = limit
		}
	}
	return least
}

func meminfo(root fs.FS) int64 {
	b, _ := fs.ReadFile(root, "proc/meminfo")
	for lines := bufio.NewScanner(bytes.NewReader(b)); lines.Scan(); {
		fields := strings.Fields(lines.Text())
		if len(fields) == 3 && fields[0] == "MemAvailable:" && fields[2] == "kB" {
			if kib, err := strconv.ParseInt(fields[1], 10, 64); err == nil && kib > 0 && kib < 1<<40 {
				return kib << 10
			}
		}
	}
	return 0
}

// controlGroupLimits gives those of the process's group and of all above it, of
// version 2 and of version 1, where the memory controller has a line of its own. In a
// container that sees its group as the root, the file of the root is the limit.
func controlGroupLimits(root fs.FS) (limits []int64) {
	b, _ := fs.ReadFile(root, "proc/self/cgroup")
	for lines := bufio.NewScanner(bytes.NewReader(b)); lines.Scan(); {
		// hierarchy-ID:controller-list:cgroup-path
		fields := strings.SplitN(lines.Text(), ":", 3)
		if len(fields) != 3 {
			continue
		}
		mount, file := "sys/fs/cgroup", "memory.max"
		if fields[1] == "memory" {
			mount, file = "sys/fs/cgroup/memory", "memory.limit_in_bytes"
		} else if fields[1] != "" {
			continue
		}
		for group := path.Clean("/" + fields[2]); ; group = path.Dir(group) {
			if limit := readLimit(root, path.Join(mount, group, file)); limit > 0 {
				limits = append(limits, limit)
			}
			if group == "/" {
				break
			}
		}
	}
	return limits
}

// readLimit gives 0 for "max", and where there is no limit to read.
func readLimit(root fs.FS, name string) int64 {
	b, err := fs.ReadFile(root, name)
	if err != nil {
		return 0
	}
	limit, err := strconv.ParseInt(strings.TrimSpace(string(b)), 10, 64)
	if err != nil {
		return 0
	}
	return limit
}
