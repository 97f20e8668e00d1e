package weave

import "github.com/kistarchive/kist/chunk/tarstream"

// Names follows a stream, and knows which member each path is a name of. A hard link is another name of what its target
// is where the link stands, whatever has the target's path later: so extracting makes it (POSIX.1, pax: "a link to
// another file, of any type, previously archived"). The zero value is ready.
type Names struct {
	of map[string]int // by clean path: the number of an entry, or noFile
}

// noFile is in the place of what no hard link can be a name of: folders, and links to nothing.
const noFile = -1

// Note takes in the next member, by its number and clean path, and gives the number of the one that the path is a name of:
// its own, but of a hard link that of its target. ok is false of a hard link to nothing, or to a folder.
func (n *Names) Note(number int, path string, m *tarstream.Member) (of int, ok bool) {
	if n.of == nil {
		n.of = make(map[string]int)
	}
	of, ok = number, true
	switch m.Type {
	case tarstream.Other:
		return of, ok // nothing comes of it
	case tarstream.Hardlink:
		if of, ok = n.Of(CleanPath(m.Link)); !ok {
			of = noFile
		}
		n.of[path] = of
	case tarstream.Folder:
		n.of[path] = noFile
	default:
		n.of[path] = of
	}
	return of, ok
}

// Of gives the number of the member that a clean path is a name of so far; ok is false where there is none, and of folders.
func (n *Names) Of(path string) (of int, ok bool) {
	of, ok = n.of[path]
	return of, ok && of != noFile
}
