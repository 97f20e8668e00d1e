package volume

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"io/fs"
	"slices"
)

// scanner goes through the tree and looks at every name, ahead of the walker.
type scanner struct {
	opts    ReadOptions
	exclude excluder
	dev     uint64 // the file system that the tree is on
	out     chan []sight
	free    chan []sight // to be used again
	batch   []sight
	bytes   int    // of names in batch
	path    []byte // of the folder that is looked at, as its member is named
	deep    deepFolders
	lost    []sight // that nobody took; their folders are closed when all has ended

	excluded, caches int // names and folders left out
	leftOut          []LeftOut
}

// sight is what was found under a name, or word of something else.
type sight struct {
	folder *sharedFolder // that the name is in; of a folder's own member, that folder
	name   string        // "." for a folder's own member
	member string
	meta   *meta
	end    ending
	note   string // why the member is left out
	err    error
}

// ending says that a sight is the last one with its folder, whose owner the walker
// becomes.
type ending byte

const (
	goesOn  ending = iota
	read           // meta is what the folder was before it was read
	notRead        // nothing in it was looked at
)

// sightsAhead is how many sights are handed on together.
const sightsAhead = 64

// namesAhead is how many bytes of names are handed on together, and some more: names may be long.
const namesAhead = 64 << 10

// run looks at all of the tree.
func (s *scanner) run(ctx context.Context, top *sharedFolder) {
	defer close(s.out)
	s.path = append(s.path, "./"...)
	err := s.folder(ctx, top, 0)
	if err == nil {
		err = s.flush(ctx)
	}
	if err != nil && ctx.Err() == nil {
		if s.send(ctx, sight{err: err}) == nil {
			s.flush(ctx) // or else nobody waits for it
		}
	}
	s.lost = append(s.lost, s.batch...)
}

func (s *scanner) send(ctx context.Context, l sight) error {
	if s.batch == nil {
		select {
		case s.batch = <-s.free:
		default:
			s.batch = make([]sight, 0, sightsAhead)
		}
	}
	s.bytes += len(l.member)
	if s.batch = append(s.batch, l); len(s.batch) < sightsAhead && s.bytes < namesAhead {
		return nil
	}
	return s.flush(ctx)
}

func (s *scanner) flush(ctx context.Context) error {
	batch := s.batch
	s.batch, s.bytes = nil, 0
	select {
	case s.out <- batch:
		return nil
	case <-ctx.Done():
		s.lost = append(s.lost, batch...)
		return ctx.Err()
	}
}

// discardSights closes the folders that nobody looks at any more.
func discardSights(batch []sight) {
	for i := range batch {
		if batch[i].end != goesOn {
			batch[i].folder.release()
		}
	}
}

func (s *scanner) skip(ctx context.Context, member, reason string) error {
	return s.send(ctx, sight{member: member, note: reason})
}

// folder looks at d, whose path is s.path, and at everything in it, and hands d on to the walker.
func (s *scanner) folder(ctx context.Context, d *sharedFolder, depth int) error {
	last := sight{folder: d, end: notRead}
	err := s.inside(ctx, &last, depth)
	if err != nil {
		last.end = notRead
	}
	last.member = string(s.path)
	sent := s.send(ctx, last) // in any case: the walker closes d when it is through with it
	return cmp.Or(err, sent)
}

func (s *scanner) inside(ctx context.Context, last *sight, depth int) error {
	d, member := last.folder, string(s.path)
	var err error
	if last.meta, err = pinned(d, func(f *folder) (*meta, error) { return f.stat(".") }); err != nil {
		return s.passOver(ctx, member, err)
	}
	if err := s.send(ctx, sight{folder: d, name: ".", member: member, meta: last.meta}); err != nil {
		return err
	}
	if last.meta.dev != s.dev && !s.opts.CrossMounts {
		return s.skip(ctx, member, "another file system is mounted here; its contents are not read")
	}
	if depth > s.opts.maxDepth {
		return s.skip(ctx, member, fmt.Sprintf("its contents lie in more than %d folders; they are not read", s.opts.maxDepth))
	}
	last.end = read
	return s.contents(ctx, d, depth)
}

// contents looks at everything in d.
func (s *scanner) contents(ctx context.Context, d *sharedFolder, depth int) error {
	entries, err := pinned(d, func(f *folder) ([]entry, error) { return s.list(ctx, f, depth) })
	if err != nil {
		return s.passOver(ctx, string(s.path), err)
	}
	entries, aside, err := s.aside(ctx, d, entries)
	if err != nil {
		return err
	}
	for _, out := range aside {
		note := asideNote(out.Path)
		out.Path = notePath(string(s.path) + out.Path)
		s.leftOut = append(s.leftOut, out)
		if err := s.skip(ctx, "./"+out.Path, note); err != nil {
			return err
		}
	}
	for _, e := range entries {
		if err := s.entry(ctx, d, e, depth); err != nil {
			return err
		}
	}
	return nil
}

// aside takes what Replace set aside out of a folder's entries.
func (s *scanner) aside(ctx context.Context, d *sharedFolder, entries []entry) (rest []entry, aside []LeftOut, err error) {
	if !slices.ContainsFunc(entries, isMarkerName) {
		return entries, nil, nil // as nearly everywhere
	}
	rest, err = pinned(d, func(f *folder) (rest []entry, err error) {
		rest, aside, err = withoutAside(ctx, f, entries)
		return rest, err
	})
	return rest, aside, err
}

// list gives the names in d that are wanted, whatever the patterns say.
func (s *scanner) list(ctx context.Context, d *folder, depth int) ([]entry, error) {
	entries, err := list(ctx, d)
	if err == nil && depth > 0 && s.opts.SkipCacheFolders && isCache(d, entries) {
		s.caches++
		entries = slices.DeleteFunc(entries, func(e entry) bool { return e.name != cacheTag })
	}
	return entries, err
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

// entry looks at what e names in d. What vanished or changed its kind since it was listed is noted.
func (s *scanner) entry(ctx context.Context, d *sharedFolder, e entry, depth int) error {
	member := string(s.path) + e.name
	if s.exclude.excludes(notePath(member), e.kind.IsDir()) {
		s.excluded++
		return nil
	}
	if len(member) >= s.opts.maxName {
		return s.skip(ctx, member, "its path is too long for a tar header")
	}
	if e.kind.IsDir() {
		c, err := s.child(d, e.name, depth+1)
		if err != nil {
			return s.passOver(ctx, member, err)
		}
		n := len(s.path)
		s.path = append(append(s.path, e.name...), '/')
		err = s.folder(ctx, c, depth+1)
		s.path = s.path[:n]
		return err
	}
	m, err := pinned(d, func(f *folder) (*meta, error) { return f.stat(e.name) })
	if err == nil && m.kind != e.kind {
		err = errKind
	}
	if err != nil {
		return s.passOver(ctx, member, err)
	}
	return s.send(ctx, sight{folder: d, name: e.name, member: member, meta: m})
}

// child opens a folder in d that lies so deep.
func (s *scanner) child(d *sharedFolder, name string, depth int) (*sharedFolder, error) {
	f, err := pinned(d, func(f *folder) (*folder, error) { return f.child(name) })
	if err != nil {
		return nil, err
	}
	if depth <= maxOpen {
		return share(f), nil
	}
	return s.deep.add(d, name, f)
}

// passOver notes a member that is not there as it was listed.
func (s *scanner) passOver(ctx context.Context, member string, err error) error {
	err = gone(err)
	if reason := passedOver(err); reason != "" {
		return s.skip(ctx, member, reason)
	}
	return err
}
