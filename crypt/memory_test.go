package crypt

import (
	"runtime"
	"testing"
	"testing/fstest"
)

// The forms are those of proc_meminfo(5) and cgroups(7).
func TestMemoryOf(t *testing.T) {
	meminfo := "MemTotal:       24684000 kB\nMemFree:         1000 kB\nMemAvailable:    8388608 kB\nHugePages_Total:       0\n"
	for name, c := range map[string]struct {
		files map[string]string
		want  int64
	}{
		"nothing to read":        {nil, 0},
		"a machine":              {map[string]string{"proc/meminfo": meminfo}, 8 << 30},
		"an old kernel":          {map[string]string{"proc/meminfo": "MemTotal: 5 kB\nMemFree: 5 kB\n"}, 0},
		"another unit":           {map[string]string{"proc/meminfo": "MemAvailable: 5 MB\n"}, 0},
		"no number":              {map[string]string{"proc/meminfo": "MemAvailable: x kB\n"}, 0},
		"a number out of bounds": {map[string]string{"proc/meminfo": "MemAvailable: 9223372036854775807 kB\n"}, 0},
		"a group":                {map[string]string{"proc/meminfo": meminfo, "proc/self/cgroup": "0::/a/b\n", "sys/fs/cgroup/a/b/memory.max": "268435456\n"}, 256 << 20},
		"a group above":          {map[string]string{"proc/meminfo": meminfo, "proc/self/cgroup": "0::/a/b\n", "sys/fs/cgroup/a/b/memory.max": "max\n", "sys/fs/cgroup/a/memory.max": "268435456\n"}, 256 << 20},
		"a group with more":      {map[string]string{"proc/meminfo": meminfo, "proc/self/cgroup": "0::/a\n", "sys/fs/cgroup/a/memory.max": "68719476736\n"}, 8 << 30},
		"a container's root":     {map[string]string{"proc/meminfo": meminfo, "proc/self/cgroup": "0::/\n", "sys/fs/cgroup/memory.max": "268435456\n"}, 256 << 20},
		"a path not seen":        {map[string]string{"proc/meminfo": meminfo, "proc/self/cgroup": "0::/machine/x\n", "sys/fs/cgroup/memory.max": "268435456\n"}, 256 << 20},
		"groups of version 1":    {map[string]string{"proc/meminfo": meminfo, "proc/self/cgroup": "4:cpu:/a\n9:memory:/a\n", "sys/fs/cgroup/memory/a/memory.limit_in_bytes": "268435456\n"}, 256 << 20},
		"version 1, no limit":    {map[string]string{"proc/meminfo": meminfo, "proc/self/cgroup": "9:memory:/a\n", "sys/fs/cgroup/memory/a/memory.limit_in_bytes": "9223372036854771712\n"}, 8 << 30},
		"a group alone":          {map[string]string{"proc/self/cgroup": "0::/\n", "sys/fs/cgroup/memory.max": "268435456\n"}, 256 << 20},
		"paths that climb":       {map[string]string{"proc/meminfo": meminfo, "proc/self/cgroup": "0::/../../a\nbroken\n", "sys/fs/cgroup/a/memory.max": "268435456\n"}, 256 << 20},
	} {
		root := fstest.MapFS{}
		for path, text := range c.files {
			root[path] = &fstest.MapFile{Data: []byte(text)}
		}
		if got := memoryOf(root); got != c.want {
			t.Errorf("%s: %d bytes, want %d", name, got, c.want)
		}
	}
	if got := availableMemory(); (got <= 0) == (runtime.GOOS == "linux") {
		t.Errorf("this machine has %d bytes", got)
	}
}
