package store

import (
	"context"
	"io/fs"

	"github.com/kistarchive/kist/store/internal/give"
	"github.com/kistarchive/kist/store/internal/vault"
)

// VolumeFS is a volume of a capture as a file system, for whatever takes an [io/fs.FS]: it implements
// [fs.StatFS], [fs.ReadDirFS] and [fs.ReadLinkFS]. Names are those of package io/fs, but need
// not be UTF-8, as names of members need not be.
//
// It shows what restoring into a folder would make. Of several members with one path the last one counts. A hard
// link is the file that it is another name of; where a later member took the path of that, the
// member list tells, which is read as a whole then, once, and takes some 200 bytes a member while it is. Folders that are no members, and only above some, are
// there with mode 0755 and no time. What lies below a member that is no folder, or leads out of the
// volume, is not there; a stream that can't be restored for that, since a file comes behind the members of a folder of its
// name, is shown with the file. Open, Stat and ReadDir follow symbolic links, also on the way: at most 40, whose targets have at
// most 2048 parts in all; with more they fail ([fs.ErrInvalid]). A link that is absolute or leads out of the volume leads to nothing ([fs.ErrNotExist]). A volume that is no tar
// stream has one file, by the path of its source.
//
// Files are also [io.ReaderAt] and [io.Seeker], and folders [fs.ReadDirFile]. The Sys of an [fs.FileInfo] is
// the *[Member], or nil where there is none. Devices and the like can be opened, and not be read.
//
// Errors are [*fs.PathError]; in them are [fs.ErrNotExist], [fs.ErrInvalid], [ErrDamaged], which names the object,
// [ErrUnproved] as [MemberFile] has it, [ErrMoved] as [Repository.Restore] does (ask for the file
// system again then), and [ErrClosed].
//
// Where the capture has an order of its members (an index, made when it was captured), it reads parts of the member list as they are asked
// for, and keeps some MiB of them. Captures of before there were orders, those with few members and
// those whose order is damaged have none: the member list is then read once as a whole, and
// takes some 30 bytes a member beside its path while it is; behind a pax global header, 350 bytes a
// member for as long as the VolumeFS is there.
//
// That an order leaves members out, or has contents of others for them, as only a holder of a key could make it, shows
// to [Repository.Verify] in full alone. What must be right goes by [Repository.Restore].
//
// Its methods may be called by several goroutines at once, and so may those of its files. It holds
// nothing open and needs no closing; it serves as long as its [Repository] is open.
type VolumeFS struct{ fs *give.VolumeFS }

var (
	_ fs.StatFS     = (*VolumeFS)(nil)
	_ fs.ReadDirFS  = (*VolumeFS)(nil)
	_ fs.ReadLinkFS = (*VolumeFS)(nil)
)

// FS gives a volume as a file system. All that is read by it heeds ctx, for as long as it is used. No contents
// are read before they are asked for.
//
// It fails with [ErrDamaged], naming the object, and with [ErrMoved] as [Repository.Restore] does.
func (r *Repository) FS(ctx context.Context, v *Volume) (_ *VolumeFS, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.ready(ctx, v); err != nil {
		return nil, err
	}
	f, err := r.giver.NewFS(ctx, v.captured())
	if err != nil {
		return nil, err
	}
	return &VolumeFS{f}, nil
}

// Within gives the same file system, with all that it keeps, for one use: files that are opened by it are read only while
// ctx is not done, and opening them ends then, too. What finds members heeds the context of [Repository.FS] alone.
func (f *VolumeFS) Within(ctx context.Context) *VolumeFS { return &VolumeFS{f.fs.Within(ctx)} }

// Open implements [fs.FS].
func (f *VolumeFS) Open(name string) (fs.File, error) { return f.fs.Open(name) }

// Stat implements [fs.StatFS].
func (f *VolumeFS) Stat(name string) (fs.FileInfo, error) { return f.fs.Stat(name) }

// Lstat implements [fs.ReadLinkFS]: a symbolic link is given as such.
func (f *VolumeFS) Lstat(name string) (fs.FileInfo, error) { return f.fs.Lstat(name) }

// ReadLink implements [fs.ReadLinkFS]. It gives where a symbolic link leads as it was captured, be that
// out of the volume.
func (f *VolumeFS) ReadLink(name string) (string, error) { return f.fs.ReadLink(name) }

// ReadDir implements [fs.ReadDirFS]. Entries come in the order of their names, byte by byte. The Info of one that
// is a hard link to nothing fails; all others know it.
func (f *VolumeFS) ReadDir(name string) ([]fs.DirEntry, error) { return f.fs.ReadDir(name) }

// ReadDirBehind is ReadDir for large folders: it gives at most n entries, those behind a name in the order
// of ReadDir, whether there is an entry of that name or not; from the first on where after is empty. Where n
// is not above 0, it gives all of them. It takes about as long as it takes to read those n.
func (f *VolumeFS) ReadDirBehind(name, after string, n int) ([]fs.DirEntry, error) {
	return f.fs.ReadDirBehind(name, after, n)
}
