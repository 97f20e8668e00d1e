package volume

import (
	"archive/tar"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"strings"
)

// inode identifies a file on this machine.
type inode struct{ dev, ino uint64 }

// walker makes members of what a scanner found, ahead of what is delivered.
type walker struct {
	opts   ReadOptions
	sink   Sink
	names  *owners
	linked map[inode]string // first member of each file with several names
	times  changeTimes
	in     <-chan []sight
	used   chan<- []sight // sights to be used again
	turn   chan []job     // in order
	free   chan []job     // to be used again
	load   chan *job      // files, to be opened and read
	room   chan struct{}  // holds one for each file that is being loaded, or waits for its turn
	batch  []job
	bytes  int     // of names and headers in batch, about
	now    *State  // of the member that is looked at
	states []State // to come; a sink may keep them
}

// notePath is a member's name as callers see it.
func notePath(member string) string {
	name := member[len("./"):]
	if name == "" {
		return "."
	}
	return strings.TrimSuffix(name, "/")
}

// run makes members until there are no more.
func (w *walker) run(ctx context.Context) {
	defer close(w.turn)
	defer close(w.load)
	var err error
	for sights := range w.in {
		for i := range sights {
			l := &sights[i]
			if err == nil {
				err = w.take(ctx, l)
			}
			if l.end != goesOn {
				l.folder.release()
			}
		}
		if err == nil {
			err = w.flush(ctx)
		}
		clear(sights)
		select {
		case w.used <- sights[:0]:
		default:
		}
		if err != nil {
			break
		}
	}
	if err != nil && ctx.Err() == nil {
		if w.send(ctx, job{err: err}) == nil {
			w.flush(ctx) // or else nobody waits for it
		}
	}
	discardJobs(w.batch)
	for sights := range w.in {
		discardSights(sights)
	}
}

// take makes a member of what was found.
func (w *walker) take(ctx context.Context, l *sight) error {
	switch {
	case l.err != nil:
		return l.err
	case l.note != "":
		return w.skip(ctx, l.member, l.note)
	case l.end == notRead:
		return nil
	case l.end == read:
		return w.sendChange(ctx, l)
	}
	w.setState(l.meta)
	var err error
	if l.name == "." {
		err = w.times.enter(ctx, l.folder, l.meta)
	}
	switch {
	case err != nil:
	case l.meta.kind == 0:
		err = w.file(ctx, l)
	case l.meta.kind == fs.ModeDir:
		err = w.plain(ctx, l, "", (*folder).attributes)
	default:
		err = w.node(ctx, l)
	}
	if reason := passedOver(err); reason != "" {
		return w.skip(ctx, l.member, reason)
	}
	return err
}

// next gives the next job of the batch.
func (w *walker) next(ctx context.Context) (*job, error) {
	if len(w.batch) == cap(w.batch) || w.bytes >= namesAhead {
		if err := w.flush(ctx); err != nil {
			return nil, err
		}
		select {
		case w.batch = <-w.free:
		default:
			w.batch = make([]job, 0, sightsAhead)
		}
	}
	w.batch = w.batch[:len(w.batch)+1]
	return &w.batch[len(w.batch)-1], nil
}

func (w *walker) send(ctx context.Context, j job) error {
	next, err := w.next(ctx)
	if err == nil {
		*next = j
		w.bytes += len(j.member) + len(j.header)
	}
	return err
}

// flush hands on what is ready.
func (w *walker) flush(ctx context.Context) error {
	batch := w.batch
	w.batch, w.bytes = nil, 0
	if len(batch) == 0 {
		return nil
	}
	select {
	case w.turn <- batch:
		return nil
	case <-ctx.Done():
		discardJobs(batch)
		return ctx.Err()
	}
}

func (w *walker) skip(ctx context.Context, member, reason string) error {
	return w.send(ctx, job{member: member, note: reason})
}

// sendChange sends word of a folder that changed while its members were looked at.
func (w *walker) sendChange(ctx context.Context, l *sight) error {
	after, err := pinned(l.folder, func(f *folder) (*meta, error) { return f.stat(".") })
	if err == errGone {
		return w.send(ctx, job{member: l.member, restless: folderMoved})
	}
	if err != nil || !l.meta.changed(after) {
		return err
	}
	return w.send(ctx, job{member: l.member, restless: folderChanged})
}

// passedOver says why a member is left out, if the error is no reason to stop.
func passedOver(err error) string {
	switch {
	case errors.Is(err, errGone):
		return "it vanished before it was read"
	case errors.Is(err, errKind):
		return "it became something else before it was read"
	case errors.Is(err, errLong):
		return errLong.Error()
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

// file sends a regular file, and has it opened and read by a worker unless the sink has it.
func (w *walker) file(ctx context.Context, l *sight) error {
	if done, err := w.link(ctx, l); done || err != nil {
		return err
	}
	if done, err := w.sendFound(ctx, l); done || err != nil {
		return err
	}
	if err := w.makeRoom(ctx); err != nil {
		return err
	}
	j, err := w.next(ctx)
	if err != nil {
		return err
	}
	l.folder.hold()
	*j = job{member: l.member, folder: l.folder, name: l.name, state: w.now, ready: make(chan struct{})}
	w.bytes += len(l.member)
	select {
	case w.load <- j:
		return nil
	case <-ctx.Done():
		w.batch = w.batch[:len(w.batch)-1]
		l.folder.release()
		return ctx.Err()
	}
}

// makeRoom waits until another file may be loaded.
func (w *walker) makeRoom(ctx context.Context) error {
	select {
	case w.room <- struct{}{}:
		return nil
	default:
	}
	if err := w.flush(ctx); err != nil { // those are waited for
		return err
	}
	select {
	case w.room <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// node sends a member without content: a link, pipe or device.
func (w *walker) node(ctx context.Context, l *sight) error {
	target := ""
	switch l.meta.kind {
	case fs.ModeSymlink:
		var err error
		if target, err = pinned(l.folder, func(f *folder) (string, error) { return f.readlink(l.name) }); err != nil {
			return gone(err)
		}
	case fs.ModeSocket:
		return w.skip(ctx, l.member, "a socket can't be in a tar stream")
	default:
		if typeflag(l.meta.kind) == 0 {
			return errKind
		}
	}
	if done, err := w.link(ctx, l); done || err != nil {
		return err
	}
	return w.plain(ctx, l, target, func(f *folder) (map[string]string, error) { return f.nodeAttributes(l.name) })
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
func (w *walker) plain(ctx context.Context, l *sight, target string, attrsOf func(*folder) (map[string]string, error)) error {
	if done, err := w.sendFound(ctx, l); done || err != nil {
		return err
	}
	attrs, err := pinned(l.folder, attrsOf)
	if err != nil {
		return err
	}
	head, left, err := headerOf(l.meta, w.now, typeflag(l.meta.kind), l.member, target, attrs)
	if err != nil {
		return err
	}
	return cmp.Or(w.send(ctx, job{member: l.member, state: w.now, header: head}), w.skipAttributes(ctx, l.member, left))
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

// link sends a hard link if the file is in the stream under another name, and otherwise remembers
// the member as its first.
func (w *walker) link(ctx context.Context, l *sight) (done bool, err error) {
	if l.meta.links < 2 {
		return false, nil
	}
	id := inode{l.meta.dev, l.meta.ino}
	first, ok := w.linked[id]
	if !ok {
		w.linked[id] = l.member
		return false, nil
	}
	w.now.Link = first
	if done, err := w.sendFound(ctx, l); done || err != nil {
		return true, err
	}
	head, _, err := headerOf(l.meta, w.now, tar.TypeLink, l.member, first, nil)
	if err != nil {
		return true, err
	}
	return true, w.send(ctx, job{member: l.member, state: w.now, header: head})
}

// sendFound sends a member if the sink has it. Without change times there is no telling.
func (w *walker) sendFound(ctx context.Context, l *sight) (done bool, err error) {
	if !w.times.trusts(l.folder, l.meta) {
		return false, nil
	}
	found, err := w.sink.Find(l.member, w.now)
	if err != nil || found == nil {
		return false, writeError(l.member, err)
	}
	j, err := w.next(ctx)
	if err != nil {
		return true, err
	}
	j.member, j.found, j.state = l.member, found, w.now
	w.bytes += len(l.member)
	return true, nil
}

// setState sets the state of the member that is looked at.
func (w *walker) setState(m *meta) {
	if len(w.states) == 0 {
		w.states = make([]State, sightsAhead)
	}
	w.now, w.states = &w.states[0], w.states[1:]
	*w.now = State{
		Kind: m.kind, Perm: m.perm, UID: m.uid, GID: m.gid, User: w.names.userName(m.uid), Group: w.names.groupName(m.gid),
		Size: m.size, Modified: m.mtime.UnixNano(), Device: m.dev, Inode: m.ino, DevMajor: m.major, DevMinor: m.minor,
	}
	if !m.ctime.IsZero() {
		w.now.Changed = m.ctime.UnixNano()
	}
}
