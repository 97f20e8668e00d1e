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
	"sync"
	"unicode/utf8"
)

// inode identifies a file on this machine.
type inode struct{ dev, ino uint64 }

// walker goes through the tree, ahead of what is delivered.
type walker struct {
	opts    ReadOptions
	exclude excluder
	dev     uint64 // the file system that dir is on
	sink    Sink
	names   *owners
	linked  map[inode]string // first member of each file with several names
	turn    chan *job        // in order
	load    chan *job        // files, to be opened and read

	excluded, caches int // names and folders left out
}

// notePath is a member's name as callers see it.
func notePath(member string) string {
	name := member[len("./"):]
	if name == "" {
		return "."
	}
	return strings.TrimSuffix(name, "/")
}

func (w *walker) send(ctx context.Context, j *job) error {
	select {
	case w.turn <- j:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (w *walker) skip(ctx context.Context, member, reason string) error {
	return w.send(ctx, &job{member: member, note: reason})
}

// folder sends the member of d and those of everything in it. member ends with a slash.
func (w *walker) folder(ctx context.Context, d *folder, member string, depth int) error {
	if depth > maxDepth {
		return fmt.Errorf("%s: folders are nested more than %d deep", d.path, maxDepth)
	}
	before, err := d.stat(".")
	if err != nil {
		return err
	}
	if err := w.plain(ctx, before, member, "", d.attributes); err != nil {
		return err
	}
	if before.dev != w.dev && !w.opts.CrossMounts {
		return w.skip(ctx, member, "another file system is mounted here; its contents are not read")
	}
	entries, err := list(ctx, d)
	if err != nil {
		return err
	}
	if depth > 0 && w.opts.SkipCacheFolders && isCache(d, entries) {
		w.caches++
		entries = slices.DeleteFunc(entries, func(e entry) bool { return e.name != cacheTag })
	}
	var loading sync.WaitGroup // of files in d, which must stay open for it
	defer loading.Wait()
	for _, e := range entries {
		if err := w.entry(ctx, d, e, member, depth, &loading); err != nil {
			return err
		}
	}
	return w.sendChange(ctx, d, before, member)
}

// sendChange sends word of a folder that changed while its members were looked at.
func (w *walker) sendChange(ctx context.Context, d *folder, before *meta, member string) error {
	after, err := d.stat(".")
	if err != nil || !before.changed(after) {
		return err
	}
	return w.send(ctx, &job{member: member, restless: "the folder changed while it was read"})
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

// entry sends what e names in d. What vanished or changed its kind since it was listed is noted.
func (w *walker) entry(ctx context.Context, d *folder, e entry, parent string, depth int, loading *sync.WaitGroup) error {
	member := parent + e.name
	if w.exclude.excludes(notePath(member), e.kind.IsDir()) {
		w.excluded++
		return nil
	}
	var err error
	switch {
	case e.kind.IsDir():
		err = w.child(ctx, d, e.name, member+"/", depth)
	case e.kind.IsRegular():
		err = w.file(ctx, d, e.name, member, loading)
	default:
		err = w.node(ctx, d, e.name, member)
	}
	if reason := passedOver(err); reason != "" {
		return w.skip(ctx, member, reason)
	}
	return err
}

// passedOver says why a member is left out, if the error is no reason to stop.
func passedOver(err error) string {
	switch {
	case errors.Is(err, errGone):
		return "it vanished before it was read"
	case errors.Is(err, errKind):
		return "it became something else before it was read"
	}
	return ""
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

// file sends a regular file, and has it opened and read by a worker unless the sink has it.
func (w *walker) file(ctx context.Context, d *folder, name, member string, loading *sync.WaitGroup) error {
	m, err := d.stat(name)
	if err != nil {
		return gone(err)
	}
	if m.kind != 0 {
		return errKind
	}
	if done, err := w.link(ctx, m, member); done || err != nil {
		return err
	}
	j := &job{member: member, folder: d, name: name, state: w.state(m), ready: make(chan struct{})}
	if j.found, err = w.find(member, j.state); err != nil {
		return err
	}
	if j.found != nil {
		j.ready = nil
		return w.send(ctx, j)
	}
	loading.Add(1)
	j.loading = loading
	select {
	case w.load <- j:
	case <-ctx.Done():
		loading.Done()
		return ctx.Err()
	}
	err = w.send(ctx, j)
	if err != nil {
		j.discard()
	}
	return err
}

// node sends a member without content: a link, pipe or device.
func (w *walker) node(ctx context.Context, d *folder, name, member string) error {
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
		return w.skip(ctx, member, "a socket can't be in a tar stream")
	default:
		if typeflag(m.kind) == 0 {
			return errKind
		}
	}
	if done, err := w.link(ctx, m, member); done || err != nil {
		return err
	}
	return w.plain(ctx, m, member, target, func() (map[string]string, error) { return d.nodeAttributes(name) })
}

// typeflag gives the type of a member by the kind of file (pax Interchange Format, typeflag), or
// 0 for one that has no member.
func typeflag(kind fs.FileMode) byte {
	switch kind {
	case 0:
		return tar.TypeReg
	case fs.ModeDir:
		return tar.TypeDir
	case fs.ModeSymlink:
		return tar.TypeSymlink
	case fs.ModeNamedPipe:
		return tar.TypeFifo
	case fs.ModeDevice:
		return tar.TypeBlock
	case fs.ModeDevice | fs.ModeCharDevice:
		return tar.TypeChar
	}
	return 0
}

// plain sends a member without content.
func (w *walker) plain(ctx context.Context, m *meta, member, target string, attributes func() (map[string]string, error)) error {
	j := &job{member: member, state: w.state(m)}
	var err error
	if j.found, err = w.find(member, j.state); err != nil || j.found != nil {
		return cmp.Or(err, w.send(ctx, j))
	}
	attrs, err := attributes()
	if err != nil {
		return err
	}
	head, left, err := header(m, j.state, typeflag(m.kind), member, target, attrs)
	if err != nil {
		return err
	}
	j.header = head
	return cmp.Or(w.send(ctx, j), w.skipAttributes(ctx, member, left))
}

// skipAttributes sends word of attributes that fit no header.
func (w *walker) skipAttributes(ctx context.Context, member string, left []string) error {
	for _, name := range left {
		if err := w.skip(ctx, member, attributeLeft(name)); err != nil {
			return err
		}
	}
	return nil
}

func attributeLeft(name string) string {
	return fmt.Sprintf("its attribute %q fits no tar header", name)
}

// link sends a hard link if the file of m is in the stream under another name, and otherwise
// remembers member as its first.
func (w *walker) link(ctx context.Context, m *meta, member string) (done bool, err error) {
	if m.links < 2 {
		return false, nil
	}
	id := inode{m.dev, m.ino}
	first, ok := w.linked[id]
	if !ok {
		w.linked[id] = member
		return false, nil
	}
	j := &job{member: member, state: w.state(m)}
	j.state.Link = first
	if j.header, _, err = header(m, j.state, tar.TypeLink, member, first, nil); err != nil {
		return true, err
	}
	return true, w.send(ctx, j)
}

// find asks the sink whether it has a member. Without a change time there is no telling.
func (w *walker) find(member string, s *State) (any, error) {
	if s.Inode == 0 || s.Changed == 0 {
		return nil, nil
	}
	found, err := w.sink.Find(member, s)
	return found, writeError(member, err)
}

func (w *walker) state(m *meta) *State {
	s := &State{
		Kind: m.kind, Perm: m.perm, UID: m.uid, GID: m.gid, User: w.names.userName(m.uid), Group: w.names.groupName(m.gid),
		Size: m.size, Modified: m.mtime.UnixNano(), Device: m.dev, Inode: m.ino, DevMajor: m.major, DevMinor: m.minor,
	}
	if !m.ctime.IsZero() {
		s.Changed = m.ctime.UnixNano()
	}
	return s
}

// header makes a member's header. Only a regular file has a size. left names attributes that
// did not fit.
func header(m *meta, s *State, flag byte, member, target string, attrs map[string]string) (head []byte, left []string, err error) {
	h := &tar.Header{
		Typeflag: flag, Name: member, Linkname: target, Mode: m.perm, ModTime: m.mtime,
		Uid: m.uid, Gid: m.gid, Uname: s.User, Gname: s.Group, Format: tar.FormatPAX,
	}
	switch flag {
	case tar.TypeReg:
		h.Size = m.size
	case tar.TypeChar, tar.TypeBlock:
		h.Devmajor, h.Devminor = m.major, m.minor
	}
	h.PAXRecords, left = records(attrs)
	if !utf8.ValidString(member) || !utf8.ValidString(target) {
		if h.PAXRecords == nil {
			h.PAXRecords = make(map[string]string)
		}
		h.PAXRecords[recordCharset] = "BINARY"
	}
	var out bytes.Buffer
	err = tar.NewWriter(&out).WriteHeader(h)
	return out.Bytes(), left, writeError(member, err)
}

func writeError(member string, err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("writing the stream at member %q: %w", member, err)
}
