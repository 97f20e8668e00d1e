package members

import (
	"fmt"
	"io/fs"
	"strconv"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// roomy is how many columns a screen has at least on which lines are as in a pipe, 67 of them before the name.
const roomy = 110

// Line describes a member much as ls -l does.
func Line(m *store.Member) string { return before(m, true) + nameText(m) }

// LineIn is Line for a screen of so many columns, 0 for no end: on a narrow one what stands before the name comes nearer, in all
// lines alike, and a long name is shortened in the middle.
func LineIn(m *store.Member, columns int) string {
	if columns == 0 {
		return Line(m)
	}
	start := before(m, columns >= roomy)
	const least = 16 // of a name; else the line is longer
	return start + screen.Shorten(nameText(m), max(least, columns-screen.Columns(start)))
}

// before is what stands before the name.
func before(m *store.Member, wide bool) string {
	form := "%s %-9s %9d %s "
	if wide {
		form = "%s  %-17s  %12d  %s  "
	}
	return fmt.Sprintf(form, Mode(m), Owner(m), m.Size, screen.LocalTime(m.Modified))
}

// Owner gives user and group, by number where there is no name.
func Owner(m *store.Member) string { return owner(m.User, m.UID) + ":" + owner(m.Group, m.GID) }

// nameText is a member's path, and where a link leads.
func nameText(m *store.Member) string {
	name := screen.Printable(m.Path)
	switch m.Type {
	case tarstream.Symlink:
		name += " -> " + screen.Printable(m.Link)
	case tarstream.Hardlink:
		name += " = " + screen.Printable(m.Link)
	}
	return name
}

func owner(name string, id int) string {
	if name == "" {
		return strconv.Itoa(id)
	}
	return screen.Printable(name)
}

// ModeBits gives permissions as POSIX numbers them.
func ModeBits(m fs.FileMode) uint32 {
	bits := uint32(m.Perm())
	for i, flag := range []fs.FileMode{fs.ModeSticky, fs.ModeSetgid, fs.ModeSetuid} {
		if m&flag != 0 {
			bits |= 0o1000 << i
		}
	}
	return bits
}

var typeLetters = map[tarstream.Type]byte{
	tarstream.File: '-', tarstream.Folder: 'd', tarstream.Symlink: 'l', tarstream.Hardlink: 'h',
	tarstream.CharDevice: 'c', tarstream.BlockDevice: 'b', tarstream.FIFO: 'p',
}

// Mode gives type and permissions as ls does (POSIX.1-2017, ls, "long
// format"); a hard link is h.
func Mode(m *store.Member) string {
	text := []byte("?" + m.Mode.Perm().String()[1:])
	if letter, ok := typeLetters[m.Type]; ok {
		text[0] = letter
	}
	for _, special := range []struct {
		flag   fs.FileMode
		at     int
		letter byte
	}{{fs.ModeSetuid, 3, 's'}, {fs.ModeSetgid, 6, 's'}, {fs.ModeSticky, 9, 't'}} {
		if m.Mode&special.flag == 0 {
			continue
		}
		if text[special.at] == '-' {
			special.letter -= 'a' - 'A'
		}
		text[special.at] = special.letter
	}
	return string(text)
}
