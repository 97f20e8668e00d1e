package give

import (
	"archive/tar"
	"cmp"
	"fmt"
	"io"
	"maps"
	"slices"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/weave"
)

// selection says which members are written, and what in the place of hard links whose targets were not asked for. Of
// those, restoring the whole would make other names of what their targets were where the links stand (weave.Names).
type selection struct {
	match      func(path string) bool
	noDangling bool // leaves out links to nothing, which are otherwise as captured, for who extracts them to refuse

	links map[int]*takenLink    // by number of entry: links that match, whose targets don't
	early map[int]string        // number of an entry that doesn't match: the link under whose name it is written
	again map[int]*weave.Listed // entries that are written again behind their places, by number; nil until they came
}

// takenLink is what is written for a link.
type takenLink struct {
	name string
	path string // the name, clean
	of   int    // number of the entry that it is a name of
	as   linkAs
	to   string // of asLink
}

// linkAs is how a link is written.
type linkAs int

const (
	asContent  linkAs = iota // as what it is a name of
	asLink                   // as a link to a path that is written, and a name of the same
	asEarlier                // not: it is written where that entry stands
	asBefore                 // not: its path is a name of the same already
	asCaptured               // as it was captured: it is a link to nothing
)

func (s *selection) matches(l *weave.Listed) bool {
	return l.Member != nil && s.match(weave.CleanPath(l.Member.Path))
}

// isTaken tells whether an entry is a link that matches while its target does not.
func (s *selection) isTaken(l *weave.Listed) bool {
	return s.matches(l) && l.Member.Type == tarstream.Hardlink && !s.match(weave.CleanPath(l.Member.Link))
}

// resolve finds out what links become. Only where there are such links, all of the volume's are in memory for it.
func (s *selection) resolve(list listing) error {
	any := false
	for l, err := range list {
		if err != nil {
			return err
		}
		if any = any || s.isTaken(l); any {
			break
		}
	}
	if !any {
		return nil
	}
	followed, err := s.followed(list)
	if err != nil {
		return err
	}
	return s.follow(list, followed)
}

// followed gives the clean paths that decide what links become: theirs, and those of their targets, and so on.
func (s *selection) followed(list listing) (map[string]bool, error) {
	var links []hardLink
	for l, err := range list {
		if err != nil {
			return nil, err
		}
		if l.Member != nil && l.Member.Type == tarstream.Hardlink {
			links = append(links, hardLink{weave.CleanPath(l.Member.Path), weave.CleanPath(l.Member.Link)})
		}
	}
	followed := make(map[string]bool)
	for _, l := range slices.Backward(links) { // a target stands before its links
		if taken := s.match(l.path) && !s.match(l.target); taken || followed[l.path] {
			followed[l.path], followed[l.target] = true, true
		}
	}
	return followed, nil
}

// follow decides what each link becomes.
func (s *selection) follow(list listing, followed map[string]bool) error {
	f := &linkFollower{selection: s, times: make(map[string]int), written: make(map[int]string), itself: make(map[int]bool)}
	s.links = make(map[int]*takenLink)
	for l, err := range list {
		if err != nil {
			return err
		}
		if l.Member == nil {
			continue
		}
		if path := weave.CleanPath(l.Member.Path); followed[path] {
			f.note(l, path)
		}
	}
	f.place()
	return nil
}

// linkFollower follows a stream, and what is written of it.
type linkFollower struct {
	*selection
	names   weave.Names
	times   map[string]int // how many members have a path
	written map[int]string // by number of an entry: a path under which it is written
	itself  map[int]bool   // entries that match
}

// note takes in the next entry.
func (f *linkFollower) note(l *weave.Listed, path string) {
	f.times[path]++
	name := l.Member.Path // as it is written
	before, was := f.names.Of(path)
	of, ok := f.names.Note(l.Number, path, l.Member)
	switch {
	case f.isTaken(l):
		t := &takenLink{name: name, path: path, of: of}
		f.links[l.Number] = t
		to, is := f.written[of]
		now, _ := f.names.Of(weave.CleanPath(to))
		switch {
		case !ok:
			t.as = asCaptured
		case was && before == of:
			t.as = asBefore
		case is && now == of && weave.CleanPath(to) != path:
			t.as, t.to = asLink, to
		default:
			f.written[of] = name
		}
	case ok && f.match(path):
		f.written[of] = name
		f.itself[of] = f.itself[of] || of == l.Number
	}
}

// place decides which contents are written where they stand, as they are read there: where nothing else has the link's
// path, it makes no difference. The others are read once more.
func (f *linkFollower) place() {
	f.early, f.again = make(map[int]string), make(map[int]*weave.Listed)
	for _, number := range slices.Sorted(maps.Keys(f.links)) {
		t := f.links[number]
		if t.as != asContent {
			continue
		}
		if _, taken := f.early[t.of]; !taken && f.times[t.path] == 1 && !f.itself[t.of] {
			t.as, f.early[t.of] = asEarlier, t.name
		} else {
			f.again[t.of] = nil
		}
	}
}

// reads tells whether the content of an entry is read where it stands.
func (s *selection) reads(l *weave.Listed) bool {
	_, early := s.early[l.Number]
	return l.Chunks > 0 && (early || s.matches(l) && s.links[l.Number] == nil)
}

// anyContent tells whether an entry that is written has a content.
func (s *selection) anyContent(list listing) bool {
	if len(s.again) > 0 {
		return true
	}
	for l, err := range list {
		if err != nil || s.reads(l) {
			return true
		}
	}
	return false
}

// write writes what there is of one entry, if anything. Where a content is read again, open opens it.
func (s *selection) write(w io.Writer, l *weave.Listed, chunks *chosen, open func(*weave.Listed) (*chosen, error)) (written bool, err error) {
	if _, again := s.again[l.Number]; again {
		kept := *l
		kept.Head = slices.Clone(l.Head)
		s.again[l.Number] = &kept
	}
	if name, early := s.early[l.Number]; early {
		return true, writeAs(w, l, name, chunks)
	}
	if !s.matches(l) {
		return false, nil
	}
	t := s.links[l.Number]
	switch {
	case t == nil:
		return true, writeMember(w, l, chunks)
	case t.as == asContent:
		return true, s.writeAgain(w, t, chunks, open)
	case t.as == asLink:
		return true, rewrite(w, l, nil, func(h *tar.Header) { h.Linkname = t.to })
	case t.as == asCaptured && !s.noDangling:
		return true, writeMember(w, l, chunks)
	}
	return false, nil
}

// writeAgain writes an entry that stood before under the name of a link to it.
func (s *selection) writeAgain(w io.Writer, t *takenLink, chunks *chosen, open func(*weave.Listed) (*chosen, error)) error {
	of := s.again[t.of]
	if of == nil {
		return fmt.Errorf("%w: the list has lost entry %d", format.ErrDamaged, t.of)
	}
	content, err := open(of)
	if err != nil {
		return err
	}
	defer content.Close()
	chunks.unproved = cmp.Or(chunks.unproved, content.unproved)
	return writeAs(w, of, t.name, content)
}
