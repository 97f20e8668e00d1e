package volume

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// What Replace sets aside in a mount point lies in what is read there next time. So that it is left
// out then, and nothing of the user's that has such a name, a marker beside it tells inode numbers: what has one of
// them and a name that Replace gives is set aside. A marker counts only if it is the reader's or root's.
// Copied to another file system it tells nothing.
const (
	markerPrefix = ".kist-aside-"
	markerStart  = "kist set aside 1\n"
	maxMarker    = 4 << 10
)

// asideName matches the names that Replace gives in a mount point.
var asideName = regexp.MustCompile(`^\.(?:new-[a-z2-7]{6}|(?:new|out|in|before|rescued)-` + stampPattern + `(?:\.[0-9]+)?)$`)

// marker is one that a run of Replace writes.
type marker struct {
	home *folder
	name string
	f    *file
	end  int64
}

// note adds a folder, before anything is put into it. Where there are no inode numbers there is no marker.
func (m *marker) note(id inode) error {
	if id.ino == 0 {
		return nil
	}
	if m.f == nil {
		name := markerPrefix + strings.ToLower(rand.Text()[:6])
		f, err := m.home.create(name, 0o644)
		if err != nil {
			return err
		}
		m.name, m.f = name, f
		if err := f.chmod(0o644); err != nil {
			return err
		}
		if err := m.write(markerStart); err != nil {
			return err
		}
	}
	return m.write(strconv.FormatUint(id.ino, 10) + "\n")
}

func (m *marker) write(text string) error {
	if err := m.f.writeAt([]byte(text), m.end); err != nil {
		return err
	}
	m.end += int64(len(text))
	return m.f.flush()
}

// only leaves one folder marked.
func (m *marker) only(id inode) error {
	if m == nil || m.f == nil {
		return nil
	}
	if err := m.f.truncate(int64(len(markerStart))); err != nil {
		return err
	}
	m.end = int64(len(markerStart))
	return m.note(id)
}

// drop removes the marker.
func (m *marker) drop() error {
	if m == nil || m.name == "" {
		return nil
	}
	return ignoreGone(m.home.remove(m.name))
}

func (m *marker) close() {
	if m != nil && m.f != nil {
		m.f.close()
	}
}

// marked gives the inode numbers that the markers in a folder tell, and the markers' names.
func marked(d *folder, names []string) (inodes map[uint64]bool, markers map[string]bool) {
	for _, name := range names {
		if !strings.HasPrefix(name, markerPrefix) {
			continue
		}
		told, err := readMarker(d, name)
		if err != nil {
			continue // it may be anybody's
		}
		if inodes == nil {
			inodes, markers = make(map[uint64]bool), make(map[string]bool)
		}
		markers[name] = true
		for _, ino := range told {
			inodes[ino] = true
		}
	}
	return inodes, markers
}

var errNoMarker = errors.New("it is no marker")

// readMarker gives the inode numbers in a marker.
func readMarker(d *folder, name string) ([]uint64, error) {
	f, m, err := d.open(name)
	if err != nil {
		return nil, err
	}
	defer f.close()
	if !ours(m.uid) || m.size > maxMarker {
		return nil, errNoMarker
	}
	b := make([]byte, m.size)
	n, err := f.readAt(b, 0)
	if err != nil && n < len(b) {
		return nil, err
	}
	return parseMarker(b[:n])
}

func parseMarker(b []byte) (told []uint64, err error) {
	rest, ok := bytes.CutPrefix(b, []byte(markerStart))
	if !ok {
		return nil, errNoMarker
	}
	for line := range bytes.Lines(rest) {
		ino, err := strconv.ParseUint(string(bytes.TrimSuffix(line, []byte("\n"))), 10, 64)
		if err != nil || ino == 0 {
			return nil, errNoMarker
		}
		told = append(told, ino)
	}
	return told, nil
}

func isMarkerName(e entry) bool { return strings.HasPrefix(e.name, markerPrefix) }

// withoutAside takes out of a folder's entries what Replace set aside in it, and gives the names.
func withoutAside(ctx context.Context, d *folder, entries []entry) (rest []entry, aside []string) {
	names := make([]string, len(entries))
	for i := range entries {
		names[i] = entries[i].name
	}
	inodes, markers := marked(d, names)
	return slices.DeleteFunc(entries, func(e entry) bool {
		if markers[e.name] {
			return true
		}
		if ctx.Err() != nil || !asideName.MatchString(e.name) || e.kind != fs.ModeDir {
			return false
		}
		m, err := d.stat(e.name)
		if err != nil || !inodes[m.ino] {
			return false
		}
		aside = append(aside, e.name)
		return true
	}), aside
}

// asideNote says why a folder is left out.
func asideNote(name string) string {
	what := "what was there before a restore"
	switch {
	case strings.HasPrefix(name, ".rescued-"):
		what = "what a restore of damaged data built beside"
	case !keptPattern.MatchString(name):
		what = "what a restore left unfinished"
	}
	return fmt.Sprintf("%s is set aside here, and is left out", what)
}
