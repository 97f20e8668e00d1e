package vault

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"io"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/cache"
)

// ReadKept opens a small object: the copy of it that is kept on this machine, or
// else the object itself, of which it keeps a copy. Whatever is wrong with a copy,
// the object decides. open reads to the end of the object; it is told of a copy, which
// was accepted when it was kept.
func ReadKept[T any](ctx context.Context, v *Vault, info storage.Info, open func(src *bufio.Reader, copied bool) (T, error)) (T, error) {
	kept, as := v.keptFor(info.Name), copyName(info)
	if file := kept.Reader(as, info.Size); file != nil {
		value, err := open(Buffered(file, info), true)
		file.Close()
		if err == nil {
			return value, nil
		}
		kept.Drop(as)
	}
	if info.Size > largeObject {
		v.large <- struct{}{}
		defer func() { <-v.large }()
	}
	copied := kept.Writer(as, info.Size)
	value, err := open(Buffered(io.TeeReader(v.Reader(ctx, info), copied), info), false)
	if err != nil {
		copied.Discard()
	} else {
		copied.Keep()
	}
	return value, err
}

// Of objects longer than so many bytes a few at most are read at a time: as many as of others would take
// hundreds of MiB.
const (
	largeObject = 1 << 20
	largeAtOnce = 8
)

// PutKept puts a small object, with a second copy where it gets one, and keeps a copy of it on this machine.
func (v *Vault) PutKept(ctx context.Context, name string, content []byte) error {
	if err := v.storage.Put(ctx, name, bytes.NewReader(content)); err != nil {
		return err
	}
	if !isCounted(name) { // when that was written, only a listing tells
		v.keptFor(name).Add(name, content)
	}
	if hasSpare(name) {
		v.PutSpare(ctx, name, content)
	}
	return nil
}

// isCounted tells whether the name of an object has a number that others count on from: after the repository was put back to
// an earlier state, such a name may come to stand for another object. All other names are drawn at random.
func isCounted(name string) bool {
	if mark, ok := names.ParseOwn(name); ok {
		return names.IsSettings(mark)
	}
	if FolderOf(name) != names.Captures {
		return false
	}
	_, generation, err := names.ParseCapture(name)
	return err != nil || generation > 0
}

// copyName gives the name that the copy of an object is kept under.
func copyName(info storage.Info) string {
	if !isCounted(info.Name) {
		return info.Name
	}
	return info.Name + "-" + strconv.FormatInt(info.Modified.UnixNano(), 36)
}

// keptFor gives the cache for objects of which copies are kept as they are, or nil:
// leases are short-lived, of slabs fetch keeps the small ones, copies of tables have
// another form, and the rest tells what the repository is.
func (v *Vault) keptFor(name string) *cache.Folder {
	switch FolderOf(name) {
	case names.Captures, names.Holds, names.Retired, names.Condemned, names.Rehearsed, names.Verified, names.Elsewhere, names.Place:
		return v.kept
	}
	return nil
}

// FolderOf gives the folder of an object.
func FolderOf(name string) string {
	folder, _, _ := strings.Cut(name, "/")
	return folder
}

// Keep has copies of small objects kept in a folder of this machine, of about so many
// bytes, if that can be had: it is only slower without. With bases also what captures put is kept, see BasesToKeep.
func (v *Vault) Keep(folder string, size int64, bases bool) {
	name := v.manifest.ID.String()
	if v.place != "" {
		name += "-" + v.place // a name may stand for other bytes in another place
	}
	v.kept, _ = cache.Open(filepath.Join(folder, name), size)
	if bases {
		v.bases = cmp.Or(size, cache.DefaultSize) / basesPart
	}
	v.slabs.Keep(v.kept, v.bases)
}

// basesPart is which part of the copies may be slabs that one capture put, and which part bases that it read.
const basesPart = 4

// BasesToKeep gives how many bytes of slabs that a capture puts are kept on this machine, so that the next one, which says by
// them what is much like it, need not read them back.
func (v *Vault) BasesToKeep() int64 { return v.bases }

// HasCopy tells whether a copy of an object is kept on this machine.
func (v *Vault) HasCopy(info storage.Info) bool {
	file := v.kept.Reader(copyName(info), info.Size)
	if file == nil {
		return false
	}
	file.Close()
	return true
}

// Copies gives the copies that are kept on this machine; nil, which has none and takes
// none, where they are not kept.
func (v *Vault) Copies() *cache.Folder { return v.kept }
