package mounts

import "os"

// Read reads what is mounted, as this process sees it.
func Read() (Table, error) {
	f, err := os.Open("/proc/self/mountinfo")
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return parseMountinfo(f)
}
