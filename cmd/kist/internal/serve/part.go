package serve

import (
	"context"
	"io/fs"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/kistarchive/kist/store"
)

const (
	mostFolders = 4               // whose names are kept
	countTime   = 2 * time.Second // for which a page waits until they are counted; the next page goes on
)

// nameBounds is how much is counted of a folder: no part is read behind the one that reaches either.
type nameBounds struct {
	names int
	bytes int // of names
}

// mostNames is what the names of a folder take at most: some 11 MB.
func mostNames() nameBounds { return nameBounds{names: 200_000, bytes: 8 << 20} }

// folderNames is the names in a large folder, by which a page tells where it is.
type folderNames struct {
	at    ref
	most  nameBounds
	mu    sync.Mutex
	ended bool     // nothing is added
	names []string // in their order
	bytes int      // of them
	more  bool     // there are more than these
}

// namesIn gives the names in a folder, as far as they were counted.
func (l *library) namesIn(ctx context.Context, at ref, files *store.VolumeFS) (*folderNames, error) {
	f := l.useFolder(at)
	f.mu.Lock()
	defer f.mu.Unlock()
	after := ""
	if len(f.names) > 0 {
		after = f.names[len(f.names)-1]
	}
	for start := time.Now(); !f.ended; {
		entries, err := files.ReadDirBehind(at.fsName(), after, readTogether)
		if err != nil {
			return nil, err
		}
		if f.add(entries); len(entries) > 0 {
			after = entries[len(entries)-1].Name()
		}
		if !f.ended && time.Since(start) >= l.countTime || ctx.Err() != nil {
			break
		}
	}
	return &folderNames{at: at, names: f.names, more: f.more}, nil // others may add to it from here on
}

// add adds what was read together.
func (f *folderNames) add(entries []fs.DirEntry) {
	for _, e := range entries {
		f.names = append(f.names, strings.Clone(e.Name())) // not what is above it
		f.bytes += len(e.Name())
	}
	f.more = len(entries) == readTogether
	f.ended = !f.more || len(f.names) >= f.most.names || f.bytes >= f.most.bytes
}

func (l *library) useFolder(at ref) *folderNames {
	l.mu.Lock()
	defer l.mu.Unlock()
	f := &folderNames{at: at, most: l.most}
	if i := slices.IndexFunc(l.folders, func(f *folderNames) bool { return f.at == at }); i >= 0 {
		f = l.folders[i]
		l.folders = slices.Delete(l.folders, i, i+1)
	} else if len(l.folders) == mostFolders {
		l.folders = slices.Delete(l.folders, 0, 1)
	}
	l.folders = append(l.folders, f)
	return f
}

// partView is where a page is in a large folder, and what leads on from there.
type partView struct {
	From, To, All int  // numbers of members, from 1; From is 0 where that is not known
	More          bool // there are more than All
	First, Back   string
	Next, Last    string // "": this is it
}

// newPartView finds where a page is that begins behind a name and has so many members.
func newPartView(at ref, f *folderNames, after string, members int, more bool) *partView {
	v := &partView{All: len(f.names), More: f.more}
	from, found := slices.BinarySearch(f.names, after)
	if found {
		from++
	}
	if after != "" {
		v.First = at.Folder()
	}
	if from == len(f.names) && f.more { // behind what is counted
		return v
	}
	v.From, v.To = from+1, from+members
	switch back := from - entriesAtOnce; {
	case from == 0:
	case back <= 0:
		v.Back = at.Folder()
	default:
		v.Back = at.Behind(f.names[back-1])
	}
	if last := (len(f.names) - 1) / entriesAtOnce * entriesAtOnce; more && !f.more && last > 0 {
		v.Last = at.Behind(f.names[last-1])
	}
	return v
}
