package volume

import (
	"archive/tar"
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strings"
	"unicode/utf8"
)

// A Sink takes the members that Walk finds, in the order of WriteTar's stream.
type Sink interface {
	// Unchanged is asked for each member before its attributes and content are
	// read. If it returns true, the sink has the member from an earlier Walk that
	// found it in the same state, and takes that over: Put is not called.
	Unchanged(path string, state *State) (bool, error)

	// Put takes a member: its tar header, extended headers included, and its
	// content, of which it must read exactly size bytes. Neither is valid after it.
	Put(path string, state *State, header []byte, content io.Reader, size int64) error

	// Drop undoes the last Put, because the file changed while it was read. It is
	// put again.
	Drop() error
}

// State is by what a file that changed is told from one that did not: whatever
// changes content, attributes or mode also changes one of these. States are
// compared with ==.
type State struct {
	Kind             fs.FileMode // type bits only
	Perm             int64       // permission, setuid, setgid and sticky bits as POSIX numbers them
	UID, GID         int
	User, Group      string
	Size             int64 // bytes
	Modified         int64 // nanoseconds since 1970
	Changed          int64 // the same, of attributes and mode too (st_ctime); 0 where the system has none
	Device, Inode    uint64
	DevMajor, DevMin int64
	Link             string // of a hard link, the member that it is a link to
}

// Walk reads the folder at dir and gives its members to sink. All that WriteTar
// says of names, order, contents and errors holds for it. A file that changes
// while it is read is dropped and put again, up to three times in all, and is
// reported as changed if it never held still.
func Walk(ctx context.Context, dir string, sink Sink, o ReadOptions) (*ReadReport, error) {
	return walk(ctx, dir, sink, o, 3)
}

// walk is Walk with a number of attempts.
func walk(ctx context.Context, dir string, sink Sink, o ReadOptions, attempts int) (*ReadReport, error) {
	top, err := openFolder(dir)
	if err != nil {
		return nil, err
	}
	defer top.close()
	st, err := top.stat(".")
	if err != nil {
		return nil, err
	}
	w := &walker{
		opts: o, dev: st.dev, sink: sink, attempts: attempts, report: &ReadReport{},
		names: newOwners(), linked: make(map[inode]string),
	}
	return w.report, w.folder(ctx, top, "./", 0)
}

// inode identifies a file on this machine.
type inode struct{ dev, ino uint64 }

// walker is one run of Walk.
type walker struct {
	opts     ReadOptions
	dev      uint64 // the file system that dir is on
	sink     Sink
	attempts int // to read a file that changes
	report   *ReadReport
	names    *owners
	linked   map[inode]string // first member of each file with several names
	head     bytes.Buffer
}

// notePath is a member's name as callers see it.
func notePath(member string) string {
	name := member[len("./"):]
	if name == "" {
		return "."
	}
	return strings.TrimSuffix(name, "/")
}

func (w *walker) skip(member, reason string) {
	w.report.Skipped = append(w.report.Skipped, Note{notePath(member), reason, 1})
}

func (w *walker) noteChanged(member, reason string) {
	w.report.Changed = append(w.report.Changed, Note{notePath(member), reason, 1})
}

// folder writes the member of d and those of everything in it. member ends with a slash.
func (w *walker) folder(ctx context.Context, d *folder, member string, depth int) error {
	if depth > maxDepth {
		return fmt.Errorf("%s: folders are nested more than %d deep", d.path, maxDepth)
	}
	before, err := d.stat(".")
	if err != nil {
		return err
	}
	if err := w.put(before, member, "", d.attributes); err != nil {
		return err
	}
	if before.dev != w.dev && !w.opts.CrossMounts {
		w.skip(member, "another file system is mounted here; its contents are not read")
		return nil
	}
	entries, err := list(ctx, d)
	if err != nil {
		return err
	}
	for _, e := range entries {
		if err := w.entry(ctx, d, e, member, depth); err != nil {
			return err
		}
	}
	after, err := d.stat(".")
	if err != nil {
		return err
	}
	if before.changed(after) {
		w.noteChanged(member, "the folder changed while it was read")
	}
	return nil
}

// entry is a name in a folder with its kind when it was listed.
type entry struct {
	name string
	kind fs.FileMode
}

// list returns what is in d, sorted by the names' bytes.
func list(ctx context.Context, d *folder) ([]entry, error) {
	f, err := d.reader()
	if err != nil {
		return nil, err
	}
	defer f.Close()
	var entries []entry
	for {
		some, err := f.ReadDir(1024)
		for _, e := range some {
			entries = append(entries, entry{e.Name(), e.Type()})
		}
		if err == io.EOF {
			break
		}
		if err = cmp.Or(err, ctx.Err()); err != nil {
			return nil, err
		}
	}
	slices.SortFunc(entries, func(a, b entry) int { return cmp.Compare(a.name, b.name) })
	return entries, nil
}

// entry writes what e names in d. What vanished or changed its kind since it was listed is noted.
func (w *walker) entry(ctx context.Context, d *folder, e entry, parent string, depth int) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	member := parent + e.name
	var err error
	switch {
	case e.kind.IsDir():
		err = w.child(ctx, d, e.name, member+"/", depth)
	case e.kind.IsRegular():
		err = w.file(ctx, d, e.name, member)
	default:
		err = w.node(d, e.name, member)
	}
	switch {
	case errors.Is(err, errGone):
		w.skip(member, "it vanished before it was read")
	case errors.Is(err, errKind):
		w.skip(member, "it became something else before it was read")
	default:
		return err
	}
	return nil
}

// errGone is returned for a name that vanished since it was listed.
var errGone = errors.New("it is gone")

// gone turns the error of the first look at a name into errGone where the name isn't there.
func gone(err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return errGone
	}
	return err
}

func (w *walker) child(ctx context.Context, d *folder, name, member string, depth int) error {
	c, err := d.child(name)
	if err != nil {
		return gone(err)
	}
	defer c.close()
	return w.folder(ctx, c, member, depth+1)
}

// node writes a member without content: a link, pipe or device.
func (w *walker) node(d *folder, name, member string) error {
	m, err := d.stat(name)
	if err != nil {
		return gone(err)
	}
	target := ""
	switch m.kind {
	case fs.ModeSymlink:
		if target, err = d.readlink(name); err != nil {
			return gone(err)
		}
	case fs.ModeSocket:
		w.skip(member, "a socket can't be in a tar stream")
		return nil
	default:
		if _, ok := typeflags[m.kind]; !ok {
			return errKind
		}
	}
	if done, err := w.link(m, member); done || err != nil {
		return err
	}
	return w.put(m, member, target, func() (map[string]string, error) { return d.nodeAttributes(name) })
}

// typeflags are the types of members by the kinds of files (pax Interchange
// Format, typeflag).
var typeflags = map[fs.FileMode]byte{
	0:                                 tar.TypeReg,
	fs.ModeDir:                        tar.TypeDir,
	fs.ModeSymlink:                    tar.TypeSymlink,
	fs.ModeNamedPipe:                  tar.TypeFifo,
	fs.ModeDevice:                     tar.TypeBlock,
	fs.ModeDevice | fs.ModeCharDevice: tar.TypeChar,
}

// put gives a member without content to the sink.
func (w *walker) put(m *meta, member, target string, attributes func() (map[string]string, error)) error {
	state := w.state(m)
	if same, err := w.unchanged(member, state); same || err != nil {
		return err
	}
	attrs, err := attributes()
	if err != nil {
		return err
	}
	head, err := w.header(m, typeflags[m.kind], member, target, attrs)
	if err != nil {
		return err
	}
	return writeError(member, w.sink.Put(member, state, head, strings.NewReader(""), 0))
}

func (w *walker) state(m *meta) *State {
	s := &State{
		Kind: m.kind, Perm: m.perm, UID: m.uid, GID: m.gid, User: w.names.userName(m.uid), Group: w.names.groupName(m.gid),
		Size: m.size, Modified: m.mtime.UnixNano(), Device: m.dev, Inode: m.ino, DevMajor: m.major, DevMin: m.minor,
	}
	if !m.ctime.IsZero() {
		s.Changed = m.ctime.UnixNano()
	}
	return s
}

// unchanged asks the sink whether it has the member.
func (w *walker) unchanged(member string, s *State) (bool, error) {
	if s.Inode == 0 || s.Changed == 0 {
		return false, nil
	}
	same, err := w.sink.Unchanged(member, s)
	if same && err == nil {
		w.count(member, 0)
	}
	return same, writeError(member, err)
}

func (w *walker) count(member string, size int64) {
	if w.opts.OnEntry != nil {
		w.opts.OnEntry(notePath(member), size)
	}
	w.report.Members++
}

// link writes a hard link if the file of m is in the stream under another name, and otherwise
// remembers member as its first.
func (w *walker) link(m *meta, member string) (done bool, err error) {
	if m.links < 2 {
		return false, nil
	}
	id := inode{m.dev, m.ino}
	first, ok := w.linked[id]
	if !ok {
		w.linked[id] = member
		return false, nil
	}
	state := w.state(m)
	state.Link = first
	head, err := w.header(m, tar.TypeLink, member, first, nil)
	if err != nil {
		return true, err
	}
	return true, writeError(member, w.sink.Put(member, state, head, strings.NewReader(""), 0))
}

// header gives a member's header, valid until the next call. Only a regular file has a size.
func (w *walker) header(m *meta, flag byte, member, target string, attrs map[string]string) ([]byte, error) {
	h := &tar.Header{
		Typeflag: flag, Name: member, Linkname: target, Mode: m.perm, ModTime: m.mtime,
		Uid: m.uid, Gid: m.gid, Uname: w.names.userName(m.uid), Gname: w.names.groupName(m.gid),
		Format: tar.FormatPAX,
	}
	switch flag {
	case tar.TypeReg:
		h.Size = m.size
	case tar.TypeChar, tar.TypeBlock:
		h.Devmajor, h.Devminor = m.major, m.minor
	}
	var left []string
	h.PAXRecords, left = records(attrs)
	for _, name := range left {
		w.skip(member, fmt.Sprintf("its attribute %q fits no tar header", name))
	}
	if !utf8.ValidString(member) || !utf8.ValidString(target) {
		if h.PAXRecords == nil {
			h.PAXRecords = make(map[string]string)
		}
		h.PAXRecords[recordCharset] = "BINARY"
	}
	w.count(member, h.Size)
	w.head.Reset()
	err := tar.NewWriter(&w.head).WriteHeader(h)
	return w.head.Bytes(), writeError(member, err)
}

func writeError(member string, err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("writing the stream at member %q: %w", member, err)
}
