package volume

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"sync/atomic"
)

// scanner goes through the tree and looks at every name, ahead of the walker.
type scanner struct {
	opts    ReadOptions
	exclude excluder
	dev     uint64 // the file system that the tree is on
	out     chan []sight
	free    chan []sight // to be used again
	batch   []sight
	lost    []sight // that nobody took; their folders are closed when all has ended

	excluded, caches int // names and folders left out
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

// sharedFolder is an open folder that is closed when nobody uses it any more.
type sharedFolder struct {
	*folder
	users atomic.Int32

	dev   uint64 // these two are the walker's
	clock clock
}

func share(d *folder) *sharedFolder {
	s := &sharedFolder{folder: d}
	s.users.Store(1)
	return s
}

func (d *sharedFolder) hold() { d.users.Add(1) }

func (d *sharedFolder) release() {
	if d.users.Add(-1) == 0 {
		d.close()
	}
}

// run looks at all of the tree.
func (s *scanner) run(ctx context.Context, top *sharedFolder) {
	defer close(s.out)
	err := s.folder(ctx, top, "./", 0)
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
	if s.batch = append(s.batch, l); len(s.batch) < sightsAhead {
		return nil
	}
	return s.flush(ctx)
}

func (s *scanner) flush(ctx context.Context) error {
	batch := s.batch
	s.batch = nil
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

// folder looks at d and at everything in it, and hands d on to the walker. member
// ends with a slash.
func (s *scanner) folder(ctx context.Context, d *sharedFolder, member string, depth int) error {
	last := sight{folder: d, member: member, end: notRead}
	err := s.inside(ctx, &last, depth)
	if err != nil {
		last.end = notRead
	}
	sent := s.send(ctx, last) // in any case: the walker closes d when it is through with it
	return cmp.Or(err, sent)
}

func (s *scanner) inside(ctx context.Context, last *sight, depth int) error {
	d, member := last.folder, last.member
	if depth > maxDepth {
		return fmt.Errorf("%s: folders are nested more than %d deep", d.path, maxDepth)
	}
	var err error
	if last.meta, err = d.stat("."); err != nil {
		return err
	}
	if err := s.send(ctx, sight{folder: d, name: ".", member: member, meta: last.meta}); err != nil {
		return err
	}
	if last.meta.dev != s.dev && !s.opts.CrossMounts {
		return s.skip(ctx, member, "another file system is mounted here; its contents are not read")
	}
	last.end = read
	return s.contents(ctx, d, member, depth)
}

// contents looks at everything in d.
func (s *scanner) contents(ctx context.Context, d *sharedFolder, member string, depth int) error {
	entries, err := list(ctx, d.folder)
	if err != nil {
		return err
	}
	if depth > 0 && s.opts.SkipCacheFolders && isCache(d.folder, entries) {
		s.caches++
		entries = slices.DeleteFunc(entries, func(e entry) bool { return e.name != cacheTag })
	}
	for _, e := range entries {
		if err := s.entry(ctx, d, e, member, depth); err != nil {
			return err
		}
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

// entry looks at what e names in d. What vanished or changed its kind since it was listed is noted.
func (s *scanner) entry(ctx context.Context, d *sharedFolder, e entry, parent string, depth int) error {
	member := parent + e.name
	if s.exclude.excludes(notePath(member), e.kind.IsDir()) {
		s.excluded++
		return nil
	}
	if e.kind.IsDir() {
		c, err := d.child(e.name)
		if err == nil {
			return s.folder(ctx, share(c), member+"/", depth+1)
		}
		return s.passOver(ctx, member, err)
	}
	m, err := d.stat(e.name)
	if err == nil && m.kind != e.kind {
		err = errKind
	}
	if err != nil {
		return s.passOver(ctx, member, err)
	}
	return s.send(ctx, sight{folder: d, name: e.name, member: member, meta: m})
}

// passOver notes a member that is not there as it was listed.
func (s *scanner) passOver(ctx context.Context, member string, err error) error {
	err = gone(err)
	if reason := passedOver(err); reason != "" {
		return s.skip(ctx, member, reason)
	}
	return err
}
