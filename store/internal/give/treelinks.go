package give

import (
	"sync"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store/internal/weave"
)

// displaced are hard links to what a later member took the path of, which no order has: by where they stand, what they
// are names of. The list is read for them at the first call that succeeds, and what it takes to follow it is let go.
type displaced struct {
	mu    sync.Mutex
	files map[uint64]*treeMember // nil: not read yet
}

// displacedFile gives what a link whose target's path has a later member is a name of; nil where that is nothing.
func (t *tree) displacedFile(link *treeMember) (*treeMember, error) {
	d := &t.displaced
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.files == nil {
		files, err := t.readDisplaced()
		if err != nil {
			return nil, t.r.OrMoved(t.ctx, t.v, err)
		}
		d.files = files
	}
	return d.files[link.at], nil
}

// readDisplaced reads the list twice: which members such links are names of, and those.
func (t *tree) readDisplaced() (map[uint64]*treeMember, error) {
	of, err := t.findDisplaced()
	if err != nil {
		return nil, err
	}
	members := make(map[int]*treeMember)
	for _, number := range of {
		members[number] = nil
	}
	files := make(map[uint64]*treeMember, len(of))
	next := uint64(0)
	for l, err := range t.r.reader.Listing(t.ctx, t.v) {
		if err != nil {
			return nil, err
		}
		if _, wanted := members[l.Number]; wanted {
			members[l.Number] = newTreeMember(l, next)
		}
		if number, is := of[l.Number]; is {
			files[next] = members[number]
		}
		next += l.ListLength
	}
	return files, nil
}

// findDisplaced gives such links by their numbers, and of each the number of the member that it is a name of.
func (t *tree) findDisplaced() (map[int]int, error) {
	var names weave.Names
	last := make(map[string]int)    // by clean path
	targets := make(map[int]string) // of links
	of := make(map[int]int)
	for l, err := range t.r.reader.Listing(t.ctx, t.v) {
		if err != nil {
			return nil, err
		}
		if l.Member == nil {
			continue
		}
		path := weave.CleanPath(l.Member.Path)
		last[path] = l.Number
		number, ok := names.Note(l.Number, path, l.Member)
		if ok && l.Member.Type == tarstream.Hardlink {
			of[l.Number], targets[l.Number] = number, weave.CleanPath(l.Member.Link)
		}
	}
	for link, target := range targets {
		if last[target] < link {
			delete(of, link)
		}
	}
	return of, nil
}
