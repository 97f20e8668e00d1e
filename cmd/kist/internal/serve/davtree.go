package serve

import (
	"context"
	"errors"
	"io"
	"io/fs"
	"iter"
	"net/http"
	"os"
	"path"
	"slices"
	"strings"
	"time"

	"golang.org/x/net/webdav"

	"github.com/kistarchive/kist/store"
)

// davTree is all captures as a tree of folders, for one request: names, captures by their ids, volumes, members.
// Members are found through links, as with a folder of a disk; links to folders are left out of listings, so that
// nobody goes round in them.
type davTree struct {
	library  *library
	captures []*store.Capture
	newest   map[string]time.Time // when the newest capture was taken, by the folder of its name; "": of all
	known    map[string]*davInfo  // what was listed
	failed   error                // the first error that is none of a name
	linkTime time.Duration        // that is left for following links
}

// linkTime is for how long a request follows links that a folder holds: each may lead over many others.
const linkTime = 10 * time.Second

var errManyLinks = &statusError{http.StatusServiceUnavailable, "The links in this folder take too long to follow. Restore it to look into it."}

var _ webdav.FileSystem = (*davTree)(nil)

// davInfo is a folder or a file.
type davInfo struct {
	name   string
	folder bool
	size   int64
	at     time.Time
}

func (i *davInfo) Name() string       { return i.name }
func (i *davInfo) Size() int64        { return i.size }
func (i *davInfo) ModTime() time.Time { return i.at }
func (i *davInfo) IsDir() bool        { return i.folder }
func (i *davInfo) Sys() any           { return nil }
func (i *davInfo) Mode() fs.FileMode {
	if i.folder {
		return fs.ModeDir | 0o555
	}
	return 0o444
}

// ContentType implements webdav.ContentTyper: of contents nothing is read.
func (i *davInfo) ContentType(context.Context) (string, error) {
	if i.folder {
		return "httpd/unix-directory", nil
	}
	return "application/octet-stream", nil
}

// Stat implements webdav.FileSystem.
func (t *davTree) Stat(ctx context.Context, name string) (os.FileInfo, error) {
	info, err := t.stat(ctx, path.Clean("/"+name))
	if err != nil {
		return nil, t.noted(err)
	}
	return info, nil
}

// noted keeps an error that is not of a name, and makes others those that the handler knows.
func (t *davTree) noted(err error) error {
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, fs.ErrInvalid) {
		return fs.ErrNotExist
	}
	if t.failed == nil {
		t.failed = err
	}
	return err
}

func (t *davTree) stat(ctx context.Context, clean string) (*davInfo, error) {
	if i, ok := t.known[clean]; ok {
		return i, nil
	}
	if err := t.load(ctx); err != nil {
		return nil, err
	}
	at, ok := t.ref(clean)
	if ok {
		return t.statMember(ctx, clean, at)
	}
	parts := strings.Split(strings.Trim(clean, "/"), "/")
	switch {
	case clean == "/":
		return &davInfo{name: "kist", folder: true, at: t.newest[""]}, nil
	case len(parts) == 1:
		if at, ok := t.newest[parts[0]]; ok {
			return &davInfo{name: parts[0], folder: true, at: at}, nil
		}
	case len(parts) == 2:
		if c := t.capture(parts[0], parts[1]); c != nil {
			return &davInfo{name: parts[1], folder: true, at: c.Taken}, nil
		}
	}
	return nil, fs.ErrNotExist
}

func (t *davTree) statMember(ctx context.Context, clean string, at ref) (*davInfo, error) {
	files, err := t.library.open(ctx, at.Capture, at.Volume)
	if err != nil {
		return nil, err
	}
	info, err := files.Stat(at.fsName())
	if err != nil {
		return nil, err
	}
	if !info.IsDir() && !info.Mode().IsRegular() {
		return nil, fs.ErrNotExist
	}
	return t.memberInfo(path.Base(clean), info, at), nil
}

// memberInfo tells of a member. One without a time that HTTP can tell has that of its capture.
func (t *davTree) memberInfo(name string, info fs.FileInfo, of ref) *davInfo {
	i := &davInfo{name: name, folder: info.IsDir(), size: info.Size(), at: modified(info.ModTime())}
	if i.at.IsZero() {
		if c := slices.IndexFunc(t.captures, func(c *store.Capture) bool { return c.ID == of.Capture }); c >= 0 {
			i.at = t.captures[c].Taken
		}
	}
	return i
}

// load reads which captures there are.
func (t *davTree) load(ctx context.Context) error {
	if t.captures != nil {
		return nil
	}
	l, err := t.library.list(ctx)
	if err != nil {
		return err
	}
	t.captures, t.newest = []*store.Capture{}, make(map[string]time.Time)
	for _, c := range l.Captures {
		if c.Retired != nil {
			continue
		}
		t.captures = append(t.captures, c)
		for _, of := range []string{"", segment(c.Name)} {
			if at, ok := t.newest[of]; !ok || c.Taken.After(at) {
				t.newest[of] = c.Taken
			}
		}
	}
	return nil
}

// list gives what a folder holds.
func (t *davTree) list(ctx context.Context, clean string) (all []os.FileInfo, err error) {
	if err := t.load(ctx); err != nil {
		return nil, err
	}
	if at, ok := t.ref(clean); ok {
		return t.listMembers(ctx, clean, at)
	}
	parts := strings.Split(strings.Trim(clean, "/"), "/")
	add := func(i *davInfo) {
		where := path.Join(clean, i.name)
		if t.known[where] == nil {
			t.known[where] = i
			all = append(all, i)
		}
	}
	for _, c := range t.captures {
		switch {
		case clean == "/":
			add(&davInfo{name: segment(c.Name), folder: true, at: t.newest[segment(c.Name)]})
		case len(parts) == 1 && segment(c.Name) == parts[0]:
			add(&davInfo{name: c.ID, folder: true, at: c.Taken})
		case len(parts) == 2 && segment(c.Name) == parts[0] && c.ID == parts[1]:
			for i := range c.Volumes {
				add(&davInfo{name: segment(c.Volumes[i].Name), folder: true, at: c.Taken})
			}
		}
	}
	return all, nil
}

func (t *davTree) listMembers(ctx context.Context, clean string, at ref) (all []os.FileInfo, err error) {
	files, err := t.library.open(ctx, at.Capture, at.Volume)
	if err != nil {
		return nil, err
	}
	for e, err := range eachEntry(ctx, files, at) {
		if err != nil {
			return nil, err
		}
		info, err := e.Info()
		if err == nil && e.Type() == fs.ModeSymlink {
			if t.linkTime <= 0 {
				return nil, errManyLinks
			}
			begun := time.Now()
			info, err = files.Stat(path.Join(at.fsName(), e.Name()))
			t.linkTime -= time.Since(begun)
			if err == nil && info.IsDir() {
				continue
			}
		}
		if errors.Is(err, fs.ErrNotExist) || errors.Is(err, fs.ErrInvalid) || err == nil && !info.IsDir() && !info.Mode().IsRegular() {
			continue // a link to nothing, or a device
		}
		if err != nil {
			return nil, err
		}
		i := t.memberInfo(e.Name(), info, at)
		t.known[path.Join(clean, i.name)] = i
		all = append(all, i)
	}
	return all, nil
}

// readTogether is how many entries of a folder are read at a time.
const readTogether = 500

// eachEntry gives what a folder holds for as long as somebody waits for it: a client that has left needs no more of it.
func eachEntry(ctx context.Context, files *store.VolumeFS, at ref) iter.Seq2[fs.DirEntry, error] {
	return func(yield func(fs.DirEntry, error) bool) {
		after := ""
		for {
			entries, err := files.ReadDirBehind(at.fsName(), after, readTogether)
			for _, e := range entries {
				if ctx.Err() != nil {
					yield(nil, context.Cause(ctx))
					return
				}
				if after = e.Name(); !yield(e, nil) {
					return
				}
			}
			if err != nil {
				yield(nil, err)
				return
			}
			if len(entries) < readTogether {
				return
			}
		}
	}
}

// OpenFile implements webdav.FileSystem: what is opened is asked for what is known of it, and folders for what they
// hold.
func (t *davTree) OpenFile(ctx context.Context, name string, flag int, _ os.FileMode) (webdav.File, error) {
	if flag != os.O_RDONLY {
		return nil, fs.ErrPermission
	}
	clean := path.Clean("/" + name)
	info, err := t.stat(ctx, clean)
	if err != nil {
		return nil, t.noted(err)
	}
	return &davFile{ctx, t, clean, info}, nil
}

// Mkdir, RemoveAll and Rename implement webdav.FileSystem.
func (t *davTree) Mkdir(context.Context, string, os.FileMode) error { return fs.ErrPermission }
func (t *davTree) RemoveAll(context.Context, string) error          { return fs.ErrPermission }
func (t *davTree) Rename(context.Context, string, string) error     { return fs.ErrPermission }

// davFile is open. Contents go another way: see davGet.
type davFile struct {
	ctx  context.Context
	tree *davTree
	path string
	info *davInfo
}

func (f *davFile) Stat() (fs.FileInfo, error) { return f.info, nil }
func (f *davFile) Close() error               { return nil }

// Readdir implements http.File.
func (f *davFile) Readdir(int) ([]fs.FileInfo, error) {
	all, err := f.tree.list(f.ctx, f.path)
	if err != nil {
		return nil, f.tree.noted(err)
	}
	return all, nil
}

// Read, Seek and Write implement webdav.File.
func (f *davFile) Read([]byte) (int, error)       { return 0, io.EOF }
func (f *davFile) Seek(int64, int) (int64, error) { return 0, nil }
func (f *davFile) Write([]byte) (int, error)      { return 0, fs.ErrPermission }
