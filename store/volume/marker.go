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
// out then, and nothing of the user's that has such a name, a marker beside it tells inode numbers, and when what has
// them was made: what fits, and has a name that Replace gives, is set aside. A marker counts only if it is the reader's
// or root's, and lies in the root of a mount: elsewhere Replace puts nothing. Copied to another file system it tells nothing.
const (
	markerPrefix = ".kist-aside-"
	markerStart  = "kist set aside 2\n"
	// Markers of earlier releases tell inode numbers alone.
	olderMarkerStart = "kist set aside 1\n"
	maxMarker        = 4 << 10
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
func (m *marker) note(id Identity) error {
	if id.Inode == 0 {
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
	return m.write(strconv.FormatUint(id.Inode, 10) + " " + strconv.FormatInt(id.Born, 10) + "\n")
}

func (m *marker) write(text string) error {
	if err := m.f.writeAt([]byte(text), m.end); err != nil {
		return err
	}
	m.end += int64(len(text))
	return m.f.flush()
}

// only leaves one folder marked.
func (m *marker) only(id Identity) error {
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

// A told line of a marker says what is set aside.
type told struct {
	inode uint64
	born  int64 // 0: not known
}

// marked gives what the markers in a folder tell, and the markers' names.
func marked(d *folder, names []string) (all []told, markers map[string]bool) {
	for _, name := range names {
		if !strings.HasPrefix(name, markerPrefix) {
			continue
		}
		some, err := readMarker(d, name)
		if err != nil {
			continue // it may be anybody's
		}
		if markers == nil {
			markers = make(map[string]bool)
		}
		markers[name] = true
		all = append(all, some...)
	}
	return all, markers
}

// tellOf tells whether markers tell of a folder, and whether when it was made proves that it is meant.
func tellOf(all []told, id Identity) (some, proved bool) {
	for _, t := range all {
		if t.inode != id.Inode || t.born != 0 && id.Born != 0 && t.born != id.Born {
			continue
		}
		some, proved = true, proved || t.born != 0 && t.born == id.Born
	}
	return some, proved
}

var errNoMarker = errors.New("it is no marker")

// readMarker gives what a marker tells.
func readMarker(d *folder, name string) ([]told, error) {
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

func parseMarker(b []byte) (all []told, err error) {
	rest, withTimes := bytes.CutPrefix(b, []byte(markerStart))
	if !withTimes {
		var older bool
		if rest, older = bytes.CutPrefix(b, []byte(olderMarkerStart)); !older {
			return nil, errNoMarker
		}
	}
	for line := range bytes.Lines(rest) {
		number, time, hasTime := strings.Cut(strings.TrimSuffix(string(line), "\n"), " ")
		ino, err := strconv.ParseUint(number, 10, 64)
		if err != nil || ino == 0 || hasTime != withTimes {
			return nil, errNoMarker
		}
		t := told{inode: ino}
		if withTimes {
			if t.born, err = strconv.ParseInt(time, 10, 64); err != nil || t.born < 0 {
				return nil, errNoMarker
			}
		}
		all = append(all, t)
	}
	return all, nil
}

func isMarkerName(e entry) bool { return strings.HasPrefix(e.name, markerPrefix) }

// withoutAside takes out of a folder's entries what Replace set aside in it. It fails with ErrTorn where a part of the
// entries themselves is there.
func withoutAside(ctx context.Context, d *folder, entries []entry) (rest []entry, aside []LeftOut, err error) {
	if !d.isMountRoot() {
		return entries, nil, nil
	}
	names := make([]string, len(entries))
	for i := range entries {
		names[i] = entries[i].name
	}
	all, markers := marked(d, names)
	rest = slices.DeleteFunc(entries, func(e entry) bool {
		if markers[e.name] {
			return true
		}
		if ctx.Err() != nil || !asideName.MatchString(e.name) || e.kind != fs.ModeDir {
			return false
		}
		id, failed := identityAt(d, e.name)
		if failed != nil {
			return false
		}
		some, proved := tellOf(all, id)
		if some {
			aside = append(aside, LeftOut{Path: e.name, Identity: id, Proved: proved})
			if movingName.MatchString(e.name[1:]) && holdsOld(d, e.name) {
				err = fmt.Errorf("reading %s: a part of what belongs there is in %s, where a call that replaces it left it when it was killed, or is at work: %w", d.path, e.name, ErrTorn)
			}
		}
		return some
	})
	return rest, aside, err
}

// A LeftOut is a folder in a mount point that was not read, since a marker there says that it was set aside. ReadReport.Skipped
// has a note of it as well.
type LeftOut struct {
	Path     string // as in Note.Path
	Identity Identity
	// Proved says that the marker tells when the folder was made, and that it was. A marker of an earlier release, or on
	// a file system that does not tell, has only its inode number, which is given again to others.
	Proved bool
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
