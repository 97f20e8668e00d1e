package serve

import (
	"context"
	"slices"
	"sync"

	"github.com/kistarchive/kist/store"
)

const (
	mostNames   = 200_000 // of a folder, that are counted
	mostFolders = 4       // whose names are kept
)

// folderNames is the names in a large folder, by which a page tells where it is. It takes some 10 MB for the most names.
type folderNames struct {
	at    ref
	mu    sync.Mutex
	read  bool
	names []string // in their order
	more  bool     // there are more than these
}

// namesIn gives the names in a folder.
func (l *library) namesIn(ctx context.Context, at ref, files *store.VolumeFS) (*folderNames, error) {
	f := l.useFolder(at)
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.read {
		return f, nil
	}
	f.names, f.more = nil, false
	for e, err := range eachEntry(ctx, files, at) {
		if err != nil {
			return nil, err
		}
		if f.more = len(f.names) == mostNames; f.more {
			break
		}
		f.names = append(f.names, e.Name())
	}
	f.read = true
	return f, nil
}

func (l *library) useFolder(at ref) *folderNames {
	l.mu.Lock()
	defer l.mu.Unlock()
	f := &folderNames{at: at}
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
