package volume

import (
	"archive/tar"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"time"
)

// traits is what a member has besides its content.
type traits struct {
	uid, gid int
	perm     int64
	mtime    time.Time
	attrs    []attribute
}

// state reads it from a header, and notes what can't be read.
func (e *extractor) state(h *tar.Header, clean string) *traits {
	s := &traits{uid: h.Uid, gid: h.Gid, perm: h.Mode & modeBits, mtime: h.ModTime}
	if e.opts.OwnersByName {
		if id, ok := e.ids.user(h.Uname); ok {
			s.uid = id
		}
		if id, ok := e.ids.group(h.Gname); ok {
			s.gid = id
		}
	}
	var lost []string
	s.attrs, lost = attributes(h.PAXRecords, e.ids)
	for _, key := range lost {
		e.lose(clean, "its "+key, errACL)
	}
	return s
}

// held is the state that a folder gets at the end.
type held struct {
	state *traits
	made  bool // or else not wanted, unless a member in it is
}

// maxHeld bounds the attributes kept for folders until the end, in bytes. A thousand folders with as
// much as Linux allows on most file systems fit.
const maxHeld = 64 << 20

// hold keeps a folder's state until its members are in place.
func (e *extractor) hold(clean string, h *tar.Header, made bool) {
	s := e.state(h, clean)
	for _, a := range s.attrs {
		e.held += len(a.name) + len(a.value)
	}
	if e.held > maxHeld && len(s.attrs) > 0 {
		s.attrs = nil
		e.lose(clean, "its attributes: the stream has too many for its folders", nil)
	}
	e.folders[clean] = &held{s, made}
}

// node is what gets a state: an open file or folder, or a place.
type node interface {
	chown(uid, gid int) error
	setAttribute(name, value string) error
	chmod(perm int64) error
}

// finisher gives what was made its state. It lists what it could not give.
type finisher struct {
	uid, gid int // of this process
	losses   []loss
}

// loss is something of a member that was not restored.
type loss struct {
	clean, what string
	err         error
}

func (f *finisher) lose(clean, what string, err error) {
	f.losses = append(f.losses, loss{clean, what, err})
}

// plain reports whether a new file of this process may have the state s, but for its time, from the
// beginning.
func (f *finisher) plain(s *traits) bool {
	return s.uid == f.uid && s.gid == f.gid && s.perm&^0o777 == 0 && len(s.attrs) == 0
}

// firstMode gives the mode with which a file is made: one that gets another owner, or an ACL, is its
// maker's alone until then.
func (f *finisher) firstMode(s *traits) uint32 {
	if f.plain(s) {
		return uint32(s.perm) | 0o600
	}
	return 0o600
}

// own gives n its owner. Without it a program must not run with the rights of another, so that
// setuid and setgid bits are dropped. It comes first since a change of owner clears those bits, and
// capabilities.
func (f *finisher) own(n node, s *traits, clean string) {
	if f.uid != 0 && s.uid == f.uid && s.gid == f.gid {
		return // a new file's owner anyway; root may write where the file system chooses another
	}
	err := fs.ErrInvalid // for a number that chown would take as 'leave it', or cut
	if validID(s.uid) && validID(s.gid) {
		err = n.chown(s.uid, s.gid)
	}
	if err == nil {
		return
	}
	f.lose(clean, "its owner", err)
	if special := s.perm & (modeSetUID | modeSetGID); special != 0 {
		s.perm &^= special
		f.lose(clean, "its setuid and setgid bits, since its owner is another", nil)
	}
}

// validID reports whether id is a user or group number; the highest 32-bit one stands for none.
func validID(id int) bool { return id >= 0 && int64(id) < 1<<32-1 }

// dress gives n its attributes, mode and ACLs. A mode may forbid to change attributes, and an ACL's
// mask counts before the group's bits of a mode: libarchive puts the group's own rights there.
func (f *finisher) dress(n node, s *traits, clean string) {
	acls := slices.IndexFunc(s.attrs, attribute.isACL)
	if acls < 0 {
		acls = len(s.attrs)
	}
	f.attributes(n, s.attrs[:acls], clean)
	if err := n.chmod(s.perm); err != nil {
		f.lose(clean, "its mode", err)
	}
	f.attributes(n, s.attrs[acls:], clean)
}

func (f *finisher) attributes(n node, attrs []attribute, clean string) {
	for _, a := range attrs {
		if err := n.setAttribute(a.name, a.value); err != nil {
			f.lose(clean, fmt.Sprintf("its attribute %q", a.name), err)
		}
	}
}

func (f *finisher) times(d *folder, name string, s *traits, clean string) {
	if err := d.chtimes(name, s.mtime); err != nil {
		f.lose(clean, "its time", err)
	}
}

// maxReasons bounds the report: a stream may name any number of attributes.
const maxReasons = 1000

// note puts losses into the report.
func (e *extractor) note(losses []loss) {
	for _, l := range losses {
		e.noteOne(l.clean, l.what, l.err)
	}
}

func (e *extractor) noteOne(clean, what string, err error) {
	reason := what
	if err != nil {
		var path *fs.PathError
		if errors.As(err, &path) {
			err = path.Err // so that equal reasons are equal
		}
		reason += ": " + err.Error()
	}
	i, known := e.reasons[reason]
	if !known && len(e.reasons) >= maxReasons {
		reason = "for further reasons"
		i, known = e.reasons[reason]
	}
	if !known {
		i = len(e.report.NotRestored)
		e.reasons[reason] = i
		e.report.NotRestored = append(e.report.NotRestored, Note{clean, reason, 0})
	}
	e.report.NotRestored[i].Members++
}
