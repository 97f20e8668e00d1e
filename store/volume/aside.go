package volume

import (
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"
)

// Aside is something that Replace, ReplaceFolder, BuildBeside or Place set aside or left.
type Aside struct {
	// Path is absolute.
	Path string
	Kind AsideKind
	// Made is when it was set aside, by its name, or when it was last changed, where it is unfinished.
	Made time.Time
	// Folder says that it is one.
	Folder bool

	id inode
}

// AsideKind is what something set aside is. Its text is fit for scripts.
type AsideKind string

// The kinds.
const (
	AsidePrevious   AsideKind = "previous"   // what was there before
	AsideRescued    AsideKind = "rescued"    // built beside what was there
	AsideUnfinished AsideKind = "unfinished" // a tree that a killed call left, or one that is being built just now
)

var (
	datedAside      = regexp.MustCompile(`^(before|rescued)-(` + stampPattern + `)$`)
	unfinishedAside = regexp.MustCompile(`^(?:new-[a-z2-7]{6}|new-` + stampPattern + `\.[0-9]+|(?:out|in)-` + stampPattern + `)$`)
	unfinishedPart  = regexp.MustCompile(`^\.part-[a-z2-7]{6}$`)
)

// FindAside finds, by the names that they have, what calls for a target set aside or left: beside it, or inside where it
// is a mount point, and part folders of Place inside it. The target may be missing. Not found is
// what Place keeps of single members: its Placed says where that is.
//
// It fails with what ReplaceFolder finds wrong with the target, and with an error of the file system.
func FindAside(target string) (found []Aside, err error) {
	s, err := findSite(target)
	if err != nil {
		return nil, err
	}
	defer s.close()
	prefix := s.entry("", "")
	found, err = asideIn(s.home, s.pathTo, func(name string) (AsideKind, string, bool) {
		rest, ok := strings.CutPrefix(name, prefix)
		if !ok {
			return "", "", false
		}
		return asideKind(rest)
	})
	if err != nil || s.live == nil {
		return found, err
	}
	parts, err := asideIn(s.live, func(name string) string { return filepath.Join(s.path, name) }, func(name string) (AsideKind, string, bool) {
		return AsideUnfinished, "", unfinishedPart.MatchString(name)
	})
	return append(found, parts...), err
}

// asideKind tells what a name says behind that of the target.
func asideKind(rest string) (kind AsideKind, stamp string, ok bool) {
	if m := datedAside.FindStringSubmatch(rest); m != nil {
		return map[string]AsideKind{"before": AsidePrevious, "rescued": AsideRescued}[m[1]], m[2], true
	}
	return AsideUnfinished, "", unfinishedAside.MatchString(rest)
}

// asideIn gives the entries of a folder that of knows.
func asideIn(d *folder, path func(name string) string, of func(name string) (AsideKind, string, bool)) (found []Aside, err error) {
	names, err := namesOf(d)
	if err != nil {
		return nil, err
	}
	for _, name := range names {
		kind, stamp, ok := of(name)
		if !ok {
			continue
		}
		m, err := d.stat(name)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, err
		}
		found = append(found, newAside(path(name), kind, stamp, m))
	}
	return found, nil
}

func newAside(path string, kind AsideKind, stamp string, m *meta) Aside {
	a := Aside{Path: path, Kind: kind, Made: m.mtime, Folder: m.kind == fs.ModeDir, id: inode{m.dev, m.ino}}
	if t, err := time.Parse("20060102t150405z", stamp[:min(len(stamp), len("20060102t150405z"))]); err == nil {
		a.Made = t
	}
	return a
}

// AsideAt tells of a single entry that Place kept, by its path. It fails with fs.ErrNotExist for one that
// is not there, and has no name that Place gives.
func AsideAt(path string) (Aside, error) {
	above, name, real, err := openAbove(path)
	if err != nil {
		return Aside{}, err
	}
	defer above.close()
	_, rest, ok := cutLast(name, ".before-")
	if !ok || !datedAside.MatchString("before-"+rest) {
		return Aside{}, &fs.PathError{Op: "set aside", Path: path, Err: fs.ErrNotExist}
	}
	m, err := above.stat(name)
	if err != nil {
		return Aside{}, err
	}
	return newAside(real, AsidePrevious, rest, m), nil
}

// AsideNamed tells of what is set aside by its path: what FindAside finds for some target, or AsideAt. It fails with
// fs.ErrNotExist for what is not there, and has no such name.
func AsideNamed(path string) (Aside, error) {
	dir, name := filepath.Split(filepath.Clean(path))
	targets := []string{filepath.Clean(dir)} // a mount point, or a folder with a part folder in it
	for i := range name {
		if name[i] == '.' && i > 0 {
			targets = append(targets, dir+name[:i])
		}
	}
	for _, target := range targets {
		found, err := FindAside(target)
		if err != nil {
			continue // it may be no target
		}
		for _, a := range found {
			if filepath.Base(a.Path) == name {
				return a, nil
			}
		}
	}
	return AsideAt(path)
}

// cutLast is strings.Cut around the last separator.
func cutLast(s, separator string) (before, after string, found bool) {
	if i := strings.LastIndex(s, separator); i >= 0 {
		return s[:i], s[i+len(separator):], true
	}
	return s, "", false
}

// RemoveAside removes what was set aside, for good. It goes by open folders, follows no link and enters no mount. It
// fails with ErrMeddled where something else has the name by now, and with ErrGuarded
// where others may have moved a folder there in which they may not write.
func RemoveAside(a Aside) error {
	if err := (&site{path: a.Path}).findMounts(); err != nil {
		return err
	}
	above, name, _, err := openAbove(a.Path)
	if err != nil {
		return err
	}
	defer above.close()
	switch is, err := idAt(above, name); {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	case is != a.id:
		return fmt.Errorf("removing %s: %w", a.Path, ErrMeddled)
	}
	if a.Folder {
		err = removeAsideFolder(above, name, a.id)
	} else {
		err = above.remove(name)
	}
	if err != nil {
		return err
	}
	tidyMarkers(above)
	return above.fsync()
}

func removeAsideFolder(above *folder, name string, id inode) error {
	d, err := openLocked(above, name)
	if err != nil {
		return err
	}
	defer d.close()
	if guarded(above, d) {
		return fmt.Errorf("removing %s: %w", above.join(name), ErrGuarded)
	}
	return discardAt(above, name, id)
}

// tidyMarkers removes markers of nothing that is still there.
func tidyMarkers(d *folder) {
	names, err := namesOf(d)
	if err != nil {
		return
	}
	there := make(map[uint64]bool)
	for _, name := range names {
		if m, err := d.stat(name); err == nil && asideName.MatchString(name) {
			there[m.ino] = true
		}
	}
	for _, name := range names {
		if !strings.HasPrefix(name, markerPrefix) {
			continue
		}
		if told, err := readMarker(d, name); err == nil && !slices.ContainsFunc(told, func(ino uint64) bool { return there[ino] }) {
			d.remove(name)
		}
	}
}
