package storagetest

import (
	"bytes"
	"cmp"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"time"
)

// inode is a file or a folder of a Disk.
type inode struct {
	born     int // order of making: it sorts alike in every run, which names need not
	folder   bool
	modified time.Time
	content  []byte // that calls see; only ever appended to, or replaced
	flushed  []byte
	entries  map[string]*entry // of a folder
}

// entry is what a folder says of one name, now and before.
type entry struct {
	born    int
	states  []state // the last is what calls see
	flushed int     // the one that is on the disk for sure; a crash chooses it or a later one
}

// state is what a name stood for from one change on.
type state struct {
	at   int    // the number of changes until then
	node *inode // nil: nothing
}

func (f *inode) get(name string) *inode {
	if e := f.entries[name]; e != nil {
		return e.states[len(e.states)-1].node
	}
	return nil
}

// getAt gives what a name stood for when there had been so many changes.
func (e *entry) getAt(at int) *inode {
	for _, s := range slices.Backward(e.states) {
		if s.at <= at {
			return s.node
		}
	}
	return nil
}

func (f *inode) set(name string, at, born int, node *inode) {
	e := f.entries[name]
	if e == nil {
		e = &entry{born: born, states: []state{{at: math.MinInt}}}
		f.entries[name] = e
	}
	e.states = append(e.states, state{at, node})
}

// flushEntries puts what a folder says now on the disk.
func (f *inode) flushEntries() {
	for _, e := range f.entries {
		e.flushed = len(e.states) - 1
	}
}

// copyTree copies an inode and all below it. A file under two names stays one.
func copyTree(node *inode, done map[*inode]*inode) *inode {
	if node == nil {
		return nil
	}
	if c := done[node]; c != nil {
		return c
	}
	c := *node
	done[node] = &c
	c.content, c.flushed = slices.Clip(c.content), slices.Clip(c.flushed) // appending copies them
	c.entries = make(map[string]*entry, len(node.entries))
	for name, e := range node.entries {
		states := slices.Clone(e.states)
		for i := range states {
			states[i].node = copyTree(states[i].node, done)
		}
		c.entries[name] = &entry{e.born, states, e.flushed}
	}
	return &c
}

// block is how many bytes a disk writes at once, or not: a sector.
const block = 512

// survival chooses what a power failure leaves.
type survival struct {
	disk   *Disk // that is left
	done   map[*inode]*inode
	chance func(n int) int // one of 0 to n-1; the higher, the less is lost
}

// chooser gives the chances of a seed.
func chooser(seed uint64) func(n int) int {
	switch seed {
	case 0:
		return func(int) int { return 0 }
	case 1:
		return func(n int) int { return n - 1 }
	}
	return rand.New(rand.NewPCG(seed, 0)).IntN
}

func (s *survival) folder(f *inode) *inode {
	left := s.disk.newInode(true)
	left.modified = f.modified
	names := slices.SortedFunc(maps.Keys(f.entries), func(a, b string) int {
		return cmp.Compare(f.entries[a].born, f.entries[b].born)
	})
	for _, name := range names {
		e := f.entries[name]
		choices := e.states[e.flushed:]
		node := choices[s.chance(len(choices))].node
		if node == nil {
			continue
		}
		child := s.done[node]
		if child == nil {
			child = s.any(node)
			s.done[node] = child
		}
		left.entries[name] = &entry{born: child.born, states: []state{{math.MinInt, child}}}
	}
	return left
}

func (s *survival) any(node *inode) *inode {
	if node.folder {
		return s.folder(node)
	}
	left := s.disk.newInode(false)
	left.modified = node.modified
	left.content = s.content(node)
	left.flushed = left.content
	return left
}

// content gives what is left of a file.
func (s *survival) content(node *inode) []byte {
	flushed, content := slices.Clip(node.flushed), slices.Clip(node.content)
	if bytes.Equal(flushed, content) || !bytes.HasPrefix(content, flushed) {
		return flushed // in the second case a client dropped what it had not flushed
	}
	loose := content[len(flushed):]
	switch s.chance(6) {
	case 0:
		return flushed
	case 1:
		blocks := (len(loose) + block - 1) / block
		return slices.Clip(content[:len(flushed)+s.chance(blocks)*block])
	case 2:
		return slices.Clip(content[:len(flushed)+s.chance(len(loose))])
	case 3:
		return append(flushed, make([]byte, len(loose))...)
	case 4:
		return append(flushed, s.holed(loose)...)
	}
	return content
}

// holed gives p with some blocks zeroed.
func (s *survival) holed(p []byte) []byte {
	p = slices.Clone(p)
	for piece := range slices.Chunk(p, block) {
		if s.chance(2) == 0 {
			clear(piece)
		}
	}
	return p
}
