package store

import (
	"context"
	"iter"

	"github.com/kistarchive/kist/store/internal/give"
	"github.com/kistarchive/kist/store/internal/vault"
)

// OpenedVolume is the member list of a volume, read once, to be asked again and again. It holds no
// file open and needs no closing; it serves as long as its [Repository] is open. Its methods may
// be called by several goroutines at once.
//
// Its memory is some 350 bytes a member with a short path, more by long paths and attributes; the
// whole header of a member that the tar stream stores as sparse; and, from the first Open, 40 bytes a
// run of the volume's contents and 36 a chunk of the slabs in which they lie.
type OpenedVolume struct{ opened *give.Opened }

// OpenVolume reads the member list of a volume, for whoever asks for many members: what
// [Repository.OpenMember] reads each time is read once. No contents are read.
//
// It fails with [ErrDamaged], naming the object, and with [ErrMoved] as [Repository.Restore] does.
func (r *Repository) OpenVolume(ctx context.Context, v *Volume) (_ *OpenedVolume, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.ready(ctx, v); err != nil {
		return nil, err
	}
	l, err := r.giver.OpenVolume(ctx, v.captured())
	if err != nil {
		return nil, err
	}
	return &OpenedVolume{l}, nil
}

// Len gives the number of members.
func (l *OpenedVolume) Len() int { return l.opened.Count() }

// Members gives the members in the order of the stream, as [Repository.Members] does. They are
// the listing's own, and not to be changed.
func (l *OpenedVolume) Members() iter.Seq[*Member] { return l.opened.All() }

// Find gives the member of a path, compared in the form of [CleanPath]; the last where several
// have it, as for tar. A hard link is given as such. It is the listing's own, and not to be changed. It
// fails with [ErrNotFound].
func (l *OpenedVolume) Find(path string) (*Member, error) { return l.opened.Member(path) }

// Open opens the content of a member, as it was before it became one: as [Repository.OpenMember] does, but
// that any part of it can be read. A hard link is followed, and the holes of a sparse file read as
// zeros. Reading heeds ctx until the file is closed, which it must be.
//
// The first call reads the tables, and the list of runs if it is long; others read nothing before
// contents are asked for.
//
// It fails with [ErrNotFound], also for what has no content, such as a folder; with [ErrDamaged]; and
// with [ErrMoved] as [Repository.Restore] does: open the volume of the capture again then.
func (l *OpenedVolume) Open(ctx context.Context, path string) (*MemberFile, error) {
	if err := ended(ctx); err != nil {
		return nil, err
	}
	f, err := l.opened.Content(ctx, path)
	if err != nil {
		return nil, err
	}
	return &MemberFile{f}, nil
}

// MemberFile is the content of a member, opened by [OpenedVolume.Open]: an io.ReadSeekCloser and an
// io.ReaderAt. To begin at another place takes the frames there, of about 1 MiB, whatever lies
// between. Only of a member that the tar stream stores as sparse (Member.Sparse; a folder that
// was captured as such has none) all that lies before is read as well: by each ReadAt, and by
// Read after seeking backwards.
//
// Every chunk is held against what was captured: reading fails with [ErrDamaged], naming the
// object, at one that is another. Where nothing tells, Read fails with [ErrUnproved] in place of
// io.EOF, and ReadAt with ErrUnproved beside all that was asked for. Both fail with [ErrMoved] as
// [Repository.Restore] does, and with [fs.ErrClosed] once it is closed.
//
// Its methods may be called by several goroutines at once; ReadAt does not wait for others and
// leaves alone where Read goes on. Reading on takes the memory of Restore, beside 40 bytes a run.
type MemberFile struct{ file *give.File }

// Member gives the member whose content it is; the target of a hard link.
func (f *MemberFile) Member() *Member { return f.file.Member() }

// Size gives the length of the content in bytes, holes included.
func (f *MemberFile) Size() int64 { return f.file.Size() }

// Read implements io.Reader.
func (f *MemberFile) Read(p []byte) (int, error) { return f.file.Read(p) }

// Seek implements io.Seeker. Nothing is read before Read is called.
func (f *MemberFile) Seek(offset int64, whence int) (int64, error) {
	return f.file.Seek(offset, whence)
}

// ReadAt implements io.ReaderAt.
func (f *MemberFile) ReadAt(p []byte, off int64) (int, error) { return f.file.ReadAt(p, off) }

// Close ends the reading, also of others, and waits until it has ended.
func (f *MemberFile) Close() error { return f.file.Close() }
