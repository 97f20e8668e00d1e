package volume

import (
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
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
	// Identity is that of what had the name when it was found.
	Identity Identity
	// Marked says that a marker in the mount point shows that this is what was set aside, and not only its name.
	Marked bool

	// Target is the folder that it was set aside for, without links; "" for what AsideAt tells of.
	Target string

	id inode
}

// AsideKind is what something set aside is. Its text is fit for scripts.
type AsideKind string

// The kinds.
const (
	AsidePrevious   AsideKind = "previous"   // what was there before
	AsideRescued    AsideKind = "rescued"    // built beside what was there
	AsideUnfinished AsideKind = "unfinished" // a tree that a killed call left, or one that is being built just now
	// AsideTorn is what a call left that was killed while it exchanged trees, or one that does so just now: what target
	// held, or a part of it. Recover puts it in order. It is never removed.
	AsideTorn AsideKind = "torn"
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
	return s.findAside()
}

func (s *site) findAside() (found []Aside, err error) {
	prefix := s.entry("", "")
	found, err = s.asideIn(s.home, s.pathTo, func(name string) (AsideKind, string, bool) {
		rest, ok := strings.CutPrefix(name, prefix)
		if !ok {
			return "", "", false
		}
		return asideKind(rest)
	})
	if err != nil {
		return nil, err
	}
	s.findTorn(found, prefix)
	if s.mounted {
		if err := s.findMarked(found); err != nil {
			return nil, err
		}
	}
	if s.live == nil {
		return found, nil
	}
	parts, err := s.asideIn(s.live, func(name string) string { return filepath.Join(s.path, name) }, func(name string) (AsideKind, string, bool) {
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
func (s *site) asideIn(d *folder, path func(name string) string, of func(name string) (AsideKind, string, bool)) (found []Aside, err error) {
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
		a := newAside(path(name), kind, stamp, m)
		a.Identity, a.Target = identity(d, name, m), s.path
		found = append(found, a)
	}
	return found, nil
}

func newAside(path string, kind AsideKind, stamp string, m *meta) Aside {
	a := Aside{Path: path, Kind: kind, Made: m.mtime, Folder: m.kind == fs.ModeDir, id: inode{m.dev, m.ino}}
	a.Made = stampTime(stamp, a.Made)
	return a
}

// stampTime gives the time in the dated part of a name.
func stampTime(stamp string, otherwise time.Time) time.Time {
	const layout = "20060102t150405z"
	if t, err := time.Parse(layout, stamp[:min(len(stamp), len(layout))]); err == nil {
		return t
	}
	return otherwise
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
	a := newAside(real, AsidePrevious, rest, m)
	a.Identity = identity(above, name, m)
	return a, nil
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
// fails with ErrMeddled where something else has the name by now, with ErrGuarded
// where others may have moved a folder there in which they may not write, and with ErrTorn for what is AsideTorn, also
// if it became so since it was found.
//
// A name is no proof: whether a thing is what was set aside, the caller knows by identities that it noted
// (ReplaceOptions.Aside), or by Marked. It must not run beside a call for the same target.
func RemoveAside(a Aside) error {
	if err := a.checkTorn(); err != nil {
		return err
	}
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

// checkTorn fails for what an exchange left that did not come to its end.
func (a *Aside) checkTorn() error {
	if a.Target == "" {
		return nil
	}
	found, err := FindAside(a.Target)
	if err != nil {
		return err
	}
	for _, is := range found {
		if is.Path == a.Path && is.Kind == AsideTorn {
			return fmt.Errorf("removing %s: it was left by a call that was killed while it exchanged trees, and may be what belongs in %s: %w", a.Path, a.Target, ErrTorn)
		}
	}
	return nil
}

// findTorn finds what belongs to exchanges that did not come to their end.
func (s *site) findTorn(found []Aside, prefix string) {
	about := make(map[string]string) // the dated part of a new tree that was about to come into place, and its inode
	for i := range found {
		rest := strings.TrimPrefix(filepath.Base(found[i].Path), prefix)
		if m := readyName.FindStringSubmatch(rest); m != nil {
			about[m[1]] = m[2]
		}
	}
	for i := range found {
		a, name := &found[i], filepath.Base(found[i].Path)
		rest := strings.TrimPrefix(name, prefix)
		torn := false
		if m := readyName.FindStringSubmatch(rest); m != nil {
			torn = s.isReplaced(m[2]) || !s.exists && there(s.home, s.entry("before-", m[1]))
			a.Made = stampTime(m[1], a.Made)
		} else if stamp, ok := strings.CutPrefix(rest, "before-"); ok {
			torn = !s.exists && about[stamp] != ""
		} else if movingName.MatchString(rest) {
			torn = s.mounted && holdsOld(s.home, name)
		}
		if torn {
			a.Kind = AsideTorn
		}
	}
}

var (
	readyName  = regexp.MustCompile(`^new-(` + stampPattern + `)\.([0-9]+)$`)
	movingName = regexp.MustCompile(`^(out|in)-(` + stampPattern + `)$`)
)

// isReplaced tells whether the target is the tree of an inode number: then the one that has the name of a new tree is
// the old one.
func (s *site) isReplaced(number string) bool {
	return s.exists && number != "0" && strconv.FormatUint(s.id().ino, 10) == number
}

// holdsOld tells whether a folder in a mount point may hold entries that belong outside of it.
func holdsOld(home *folder, name string) bool {
	d, err := home.child(name)
	if err != nil {
		return !errors.Is(err, errKind) && !errors.Is(err, fs.ErrNotExist)
	}
	defer d.close()
	return there(d, oldEntries) || strings.HasPrefix(name, ".in-") && there(d, newEntries)
}

// findMarked notes which of the things that were found the markers tell of.
func (s *site) findMarked(found []Aside) error {
	names, err := namesOf(s.home)
	if err != nil {
		return err
	}
	all, _ := marked(s.home, names)
	for i := range found {
		_, found[i].Marked = tellOf(all, found[i].Identity)
	}
	return nil
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
		if all, err := readMarker(d, name); err == nil && !slices.ContainsFunc(all, func(t told) bool { return there[t.inode] }) {
			d.remove(name)
		}
	}
}
