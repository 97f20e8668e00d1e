package serve

import (
	"io/fs"
	"net/http"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/cmd/kist/internal/members"
	"github.com/kistarchive/kist/store"
)

// entriesAtOnce is how many entries of a folder a page has.
const entriesAtOnce = 250

// folderView is a folder.
type folderView struct {
	Ref     ref
	Entries []entryView
	After   string    // the name behind which it begins
	Part    *partView // where it is in a folder that no page has room for; nil: all of it is here
	Tar     string    // what it is downloaded by
	Volume  bool      // it is the root of a volume
}

// entryView is what a folder holds.
type entryView struct {
	Name    string
	Link    string // to its page; "": there is none
	Kind    string // for people
	Folder  bool
	Size    int64
	HasSize bool
	Of      fs.FileInfo
	Mode    string
	Target  string // of a link
	Wrong   string // why nothing is known of it
}

func (s *Server) folder(w *answer, r *http.Request) error {
	q := r.URL.Query()
	at := refOf(q)
	files, err := s.library.open(r.Context(), at.Capture, at.Volume)
	if err != nil {
		return err
	}
	v := &folderView{Ref: at, After: q.Get("after"), Volume: at.Path == ""}
	entries, err := files.ReadDirBehind(at.fsName(), v.After, entriesAtOnce+1)
	if err != nil {
		return err
	}
	more := len(entries) > entriesAtOnce
	entries = entries[:min(len(entries), entriesAtOnce)]
	if more || v.After != "" {
		names, err := s.library.namesIn(r.Context(), at, files)
		if err != nil {
			return err
		}
		v.Part = newPartView(at, names, v.After, len(entries), more)
		if more {
			v.Part.Next = at.Behind(entries[entriesAtOnce-1].Name())
		}
	}
	for _, e := range entries {
		v.Entries = append(v.Entries, newEntryView(at, e))
	}
	if info, err := files.Lstat(at.fsName()); err == nil && info.IsDir() { // a link to a folder has no members below it
		v.Tar = at.Tar()
	}
	title := at.name()
	if v.Volume {
		title = "Volume " + at.Volume
	}
	return s.show(w, http.StatusOK, "folder", &frame{Title: title, At: "captures", Path: at.crumbs(), Body: v})
}

func newEntryView(at ref, e fs.DirEntry) entryView {
	below := ref{at.Capture, at.Volume, e.Name()}
	if at.Path != "" {
		below.Path = at.Path + "/" + e.Name()
	}
	v := entryView{Name: e.Name(), Kind: kindOf(e.Type()), Folder: e.IsDir()}
	info, err := e.Info()
	if err != nil {
		v.Wrong = err.Error()
		return v
	}
	v.Of, v.Link = info, below.Member()
	if v.Folder {
		v.Link = below.Folder()
	}
	if v.HasSize = info.Mode().IsRegular(); v.HasSize {
		v.Size = info.Size()
	}
	if m, ok := info.Sys().(*store.Member); ok && m != nil {
		v.Mode = members.Mode(m)
		if m.Type == tarstream.Symlink {
			v.Target = m.Link
		}
	}
	return v
}

// kindOf says what something is.
func kindOf(m fs.FileMode) string {
	switch m.Type() {
	case 0:
		return "file"
	case fs.ModeDir:
		return "folder"
	case fs.ModeSymlink:
		return "link"
	case fs.ModeNamedPipe:
		return "pipe"
	case fs.ModeDevice, fs.ModeDevice | fs.ModeCharDevice:
		return "device"
	}
	return "special"
}
