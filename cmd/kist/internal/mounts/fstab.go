package mounts

import (
	"bufio"
	"io"
	"os"
	"strings"
)

// fstab is where it is written what is to be mounted.
const fstab = "/etc/fstab"

// parseFstab reads lines as fstab(5) has them: source, mount point, type and more, separated by white space.
func parseFstab(from io.Reader) (t Table, err error) {
	lines := bufio.NewScanner(from)
	for lines.Scan() {
		fields := strings.Fields(lines.Text())
		if len(fields) < 3 || strings.HasPrefix(fields[0], "#") || !strings.HasPrefix(fields[1], "/") {
			continue
		}
		t = append(t, Mount{unescape.Replace(fields[1]), fields[2], unescape.Replace(fields[0])})
	}
	return t, lines.Err()
}

// ReadPlanned reads what is to be mounted on this machine. There is none where nobody wrote it down.
func ReadPlanned() (Table, error) {
	f, err := os.Open(fstab)
	if err != nil {
		return nil, nil
	}
	defer f.Close()
	return parseFstab(f)
}

// Lacks gives what a path should lie on by another table, and by this one does not: nothing is mounted at that point.
func (t Table) Lacks(planned Table, path string) (Mount, bool) {
	m := planned.Of(path)
	if m.Point == "" || m.Point == "/" || len(t) == 0 {
		return Mount{}, false
	}
	return m, !t.has(m.Point)
}

// has tells whether something is mounted at a point.
func (t Table) has(point string) bool {
	for _, m := range t {
		if m.Point == point {
			return true
		}
	}
	return false
}
