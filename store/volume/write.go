package volume

import (
	"archive/tar"
	"bufio"
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

// WriteTar writes the folder at dir to w as a pax tar stream with an end-of-archive marker, and
// does not close w.
//
// The folder itself is the member "./", all others are "./NAME"; a folder comes before what it
// holds and names are sorted by their bytes, so that an unchanged tree gives identical bytes. Kept
// are owners by number and name, all mode bits, modification times to the nanosecond, extended
// attributes and POSIX ACLs, symbolic and hard links, pipes and devices. Of a file with several
// names the first in order holds the content. Holes are read as zeros, without touching the disk.
//
// Symbolic links are never followed, except by dir itself. A file that changes while it is read
// fills exactly the length that was announced for it, cut or padded with zeros, and is reported as
// changed. A file or folder that can't be read is an error that wraps an *fs.PathError. After an
// error the stream is incomplete and has no end marker; the report says how far it came. A folder
// nested in more than 1,000 others is an error.
//
// Between members and between reads, ctx is looked at. Calls may run at the same time.
func WriteTar(ctx context.Context, w io.Writer, dir string, o ReadOptions) (*ReadReport, error) {
	top, err := openFolder(dir)
	if err != nil {
		return nil, err
	}
	defer top.close()
	st, err := top.stat(".")
	if err != nil {
		return nil, err
	}
	out := bufio.NewWriterSize(w, bufferSize)
	t := &treeWriter{
		opts: o, dev: st.dev, tar: tar.NewWriter(out), report: &ReadReport{},
		names: newOwners(), linked: make(map[inode]string), buf: make([]byte, bufferSize),
	}
	if err := t.folder(ctx, top, "./", 0); err != nil {
		return t.report, err
	}
	if err := errors.Join(t.tar.Close(), out.Flush()); err != nil {
		return t.report, fmt.Errorf("writing the stream's end: %w", err)
	}
	return t.report, nil
}

// inode identifies a file on this machine.
type inode struct{ dev, ino uint64 }

// treeWriter is one run of WriteTar.
type treeWriter struct {
	opts   ReadOptions
	dev    uint64 // the file system that dir is on
	tar    *tar.Writer
	report *ReadReport
	names  *owners
	linked map[inode]string // first member of each file with several names
	buf    []byte
}

// notePath is a member's name as callers see it.
func notePath(member string) string {
	name := member[len("./"):]
	if name == "" {
		return "."
	}
	return strings.TrimSuffix(name, "/")
}

func (t *treeWriter) skip(member, reason string) {
	t.report.Skipped = append(t.report.Skipped, Note{notePath(member), reason, 1})
}

func (t *treeWriter) noteChanged(member, reason string) {
	t.report.Changed = append(t.report.Changed, Note{notePath(member), reason, 1})
}

// folder writes the member of d and those of everything in it. member ends with a slash.
func (t *treeWriter) folder(ctx context.Context, d *folder, member string, depth int) error {
	if depth > maxDepth {
		return fmt.Errorf("%s: folders are nested more than %d deep", d.path, maxDepth)
	}
	before, err := d.stat(".")
	if err != nil {
		return err
	}
	attrs, err := d.attributes()
	if err != nil {
		return err
	}
	if err := t.header(before, tar.TypeDir, member, "", attrs); err != nil {
		return err
	}
	if before.dev != t.dev && !t.opts.CrossMounts {
		t.skip(member, "another file system is mounted here; its contents are not read")
		return nil
	}
	entries, err := list(ctx, d)
	if err != nil {
		return err
	}
	for _, e := range entries {
		if err := t.entry(ctx, d, e, member, depth); err != nil {
			return err
		}
	}
	after, err := d.stat(".")
	if err != nil {
		return err
	}
	if before.changed(after) {
		t.noteChanged(member, "the folder changed while it was read")
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
func (t *treeWriter) entry(ctx context.Context, d *folder, e entry, parent string, depth int) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	member := parent + e.name
	var err error
	switch {
	case e.kind.IsDir():
		err = t.child(ctx, d, e.name, member+"/", depth)
	case e.kind.IsRegular():
		err = t.file(ctx, d, e.name, member)
	default:
		err = t.node(d, e.name, member)
	}
	switch {
	case errors.Is(err, errGone):
		t.skip(member, "it vanished before it was read")
	case errors.Is(err, errKind):
		t.skip(member, "it became something else before it was read")
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

func (t *treeWriter) child(ctx context.Context, d *folder, name, member string, depth int) error {
	c, err := d.child(name)
	if err != nil {
		return gone(err)
	}
	defer c.close()
	return t.folder(ctx, c, member, depth+1)
}

// node writes a member without content: a link, pipe or device.
func (t *treeWriter) node(d *folder, name, member string) error {
	m, err := d.stat(name)
	if err != nil {
		return gone(err)
	}
	var flag byte
	target := ""
	switch m.kind {
	case fs.ModeSymlink:
		flag = tar.TypeSymlink
		if target, err = d.readlink(name); err != nil {
			return gone(err)
		}
	case fs.ModeNamedPipe:
		flag = tar.TypeFifo
	case fs.ModeDevice:
		flag = tar.TypeBlock
	case fs.ModeDevice | fs.ModeCharDevice:
		flag = tar.TypeChar
	case fs.ModeSocket:
		t.skip(member, "a socket can't be in a tar stream")
		return nil
	default:
		return errKind
	}
	if done, err := t.link(m, member); done || err != nil {
		return err
	}
	attrs, err := d.nodeAttributes(name)
	if err != nil {
		return err
	}
	return t.header(m, flag, member, target, attrs)
}

// link writes a hard link if the file of m is in the stream under another name, and otherwise
// remembers member as its first.
func (t *treeWriter) link(m *meta, member string) (done bool, err error) {
	if m.links < 2 {
		return false, nil
	}
	id := inode{m.dev, m.ino}
	first, ok := t.linked[id]
	if !ok {
		t.linked[id] = member
		return false, nil
	}
	return true, t.header(m, tar.TypeLink, member, first, nil)
}

// header writes a member's header. Only a regular file has a size.
func (t *treeWriter) header(m *meta, flag byte, member, target string, attrs map[string]string) error {
	h := &tar.Header{
		Typeflag: flag, Name: member, Linkname: target, Mode: m.perm, ModTime: m.mtime,
		Uid: m.uid, Gid: m.gid, Uname: t.names.userName(m.uid), Gname: t.names.groupName(m.gid),
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
		t.skip(member, fmt.Sprintf("its attribute %q fits no tar header", name))
	}
	if !utf8.ValidString(member) || !utf8.ValidString(target) {
		if h.PAXRecords == nil {
			h.PAXRecords = make(map[string]string)
		}
		h.PAXRecords[recordCharset] = "BINARY"
	}
	if t.opts.OnEntry != nil {
		t.opts.OnEntry(notePath(member), h.Size)
	}
	if err := t.tar.WriteHeader(h); err != nil {
		return writeError(member, err)
	}
	t.report.Members++
	return nil
}

func writeError(member string, err error) error {
	return fmt.Errorf("writing the stream at member %q: %w", member, err)
}
