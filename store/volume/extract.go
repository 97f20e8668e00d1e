package volume

import (
	"archive/tar"
	"bufio"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"github.com/kistarchive/kist/chunk"
)

// Extract restores the members of the tar stream r below dir, and reads r to its end. Any format
// that archive/tar reads will do: pax, ustar, GNU (with sparse files), v7.
//
// The folder dir must be empty, else [ErrNotEmpty] is returned, or new, and is then made; its parent
// must exist. Nothing outside dir is written, changed or followed to, whatever the stream says. A
// [RefusedError] is returned for a member with an absolute name, with ".." in it or nested in more
// than 1,000 folders, for one below a member that is no folder, for a hard link to what has not
// been restored, for a folder with members that shall become something else, and for devices unless
// allowed. Of several members with one name the last counts; the earlier is removed, not written
// through.
//
// Modes are restored exactly, whatever the umask; owners by number (as root; OwnersByName changes
// that); modification times to the nanosecond, of symbolic links too; extended attributes and POSIX
// ACLs. Where an owner could not be restored, setuid and setgid bits are not either. Folders get
// their modes, times and ACLs at the end, when their members are in place, and any default ACL of
// dir is removed at the start. What the system or the caller's rights don't allow is listed in the
// report and is no error.
//
// Links on the way to dir are followed by the rule of [OpenFolder]. While others may write in dir, or in the folder
// above it, they may move files of theirs to names that Extract has just made: to restore there, use [ReplaceFolder] or [Place].
//
// A stream without an end-of-archive marker, or cut short in a member, gives an error that names
// the member and wraps io.ErrUnexpectedEOF; a broken header one that wraps tar.ErrHeader. A write
// that fails gives an error that names the member. After an error dir holds the members before it,
// and maybe some files after it, and the folders may not have their modes yet; the report says
// how far it came.
//
// Files are written by several workers, while the stream is read on; what depends on another member
// waits for it. Memory is bounded by 16 MiB of small files that wait, 2 MiB of large ones, the largest header (1 MiB) and the
// number of folders, not by sizes in the stream. A sparse member takes time for its full length, though not space,
// unless r is a [chunk.HoleReader], such as the end of a [Pipe]: holes that it tells of take neither. Between reads, ctx is
// looked at; a read of r that blocks is for the caller to end. Calls may run at the same time.
func Extract(ctx context.Context, r io.Reader, dir string, o ExtractOptions) (*ExtractReport, error) {
	top, err := openTarget(dir)
	if err != nil {
		return nil, err
	}
	defer top.close()
	return extract(ctx, r, &Folder{d: top, path: dir}, o)
}

// ExtractInto is [Extract] into a folder that is open. It must be empty, else [ErrNotEmpty] is returned.
func ExtractInto(ctx context.Context, r io.Reader, f *Folder, o ExtractOptions) (*ExtractReport, error) {
	if err := readyTarget(f.d); err != nil {
		return nil, fmt.Errorf("restoring into %s: %w", f.path, err)
	}
	return extract(ctx, r, f, o)
}

func extract(ctx context.Context, r io.Reader, f *Folder, o ExtractOptions) (*ExtractReport, error) {
	top := f.d
	e := &extractor{
		finisher: finisher{uid: os.Geteuid(), gid: os.Getegid()},
		opts:     o, top: top, report: &ExtractReport{}, ids: newOwners(), reasons: make(map[string]int),
		at: cursor{top: top}, links: cursor{top: top},
		folders: make(map[string]*held), into: f,
	}
	defer e.at.cut(0)
	defer e.links.cut(0)
	err := e.run(ctx, r)
	e.note(e.losses)
	return e.report, err
}

// openTarget makes dir or opens it where it is empty.
func openTarget(dir string) (*folder, error) {
	above, name, _, err := openAbove(dir)
	if err != nil {
		return nil, err
	}
	defer above.close()
	top, err := intoFolder(above, name)
	if err != nil {
		return nil, err
	}
	top.path = dir
	if err := readyTarget(top); err != nil {
		top.close()
		return nil, fmt.Errorf("restoring into %s: %w", dir, err)
	}
	return top, nil
}

func intoFolder(above *folder, name string) (*folder, error) {
	if name == "" {
		return above.child(".")
	}
	top, err := makeFolder(above, name, nil)
	if errors.Is(err, fs.ErrExist) {
		return above.child(name)
	}
	return top, err
}

// readyTarget checks that top is empty, and frees it of the ACL that new files would inherit.
func readyTarget(top *folder) error {
	f, err := top.reader()
	if err != nil {
		return err
	}
	defer f.Close()
	if _, err := f.Readdirnames(1); err == nil {
		return ErrNotEmpty
	} else if err != io.EOF {
		return err
	}
	return ignoreUnsupported(top.removeAttribute(attrACLDefault))
}

// extractor is one run of Extract.
type extractor struct {
	finisher
	opts    ExtractOptions
	top     *folder
	into    *Folder // of which top is
	report  *ExtractReport
	ids     *owners
	reasons map[string]int // where in report.NotRestored each is
	at      cursor         // at the folder of the current member
	links   cursor         // at the folder of the last hard link's target
	folders map[string]*held
	held    int         // bytes of attributes in folders
	buffers chan []byte // of large files; nil: none yet
	handed  handed
}

func (e *extractor) run(ctx context.Context, r io.Reader) error {
	in := &tail{r: bufio.NewReaderSize(contextReader{ctx, r}, bufferSize)}
	in.holes, _ = r.(chunk.HoleReader)
	if err := e.membersAndFiles(ctx, in); err != nil {
		return err
	}
	// What follows the end marker is padding; whoever writes r may report a failure there.
	if _, err := io.Copy(io.Discard, in.r); err != nil {
		return fmt.Errorf("reading the stream after its end marker: %w", err)
	}
	if err := e.finishFolders(ctx); err != nil {
		return err
	}
	if e.opts.Sync {
		return e.top.flushAll()
	}
	return nil
}

// membersAndFiles restores all members. It returns when no worker is at work any more, with the error of
// the first member that failed.
func (e *extractor) membersAndFiles(ctx context.Context, in *tail) error {
	defer e.handed.end()
	err := e.members(ctx, in, &memberReader{in: in})
	if err != nil && ctx.Err() != nil {
		e.handed.stop.Store(true)
	}
	return cmp.Or(e.settle(nil), err)
}

// members restores one member after the other until the end marker.
func (e *extractor) members(ctx context.Context, in *tail, stream *memberReader) error {
	last := "the start"
	for {
		if err := cmp.Or(ctx.Err(), e.settleDone()); err != nil {
			return err
		}
		in.mark()
		h, err := stream.next()
		if err == io.EOF {
			if err = in.ended(); err == nil {
				return nil
			}
		}
		if err != nil {
			return fmt.Errorf("reading the stream after %s, at byte %d: %w", last, in.pos, err)
		}
		if h.Typeflag == tar.TypeXGlobalHeader {
			continue
		}
		if err := cmp.Or(e.member(ctx, h, stream), e.noteLosses()); err != nil {
			return err
		}
		last = fmt.Sprintf("member %q", h.Name)
	}
}

// contextReader fails as soon as ctx is done.
type contextReader struct {
	ctx context.Context
	r   io.Reader
}

func (c contextReader) Read(p []byte) (int, error) {
	if err := c.ctx.Err(); err != nil {
		return 0, err
	}
	return c.r.Read(p)
}

// blockSize is that of tar streams (pax Interchange Format).
const blockSize = 512

// tail counts what was read and keeps the last block, since archive/tar doesn't tell a stream with
// an end marker from one that was cut between two members.
type tail struct {
	r     *bufio.Reader
	holes chunk.HoleReader // what r reads, where that knows of holes; else nil
	pos   int64
	start int64 // where the next header is expected
	last  [blockSize]byte
}

func (t *tail) Read(p []byte) (int, error) {
	n, err := t.r.Read(p)
	t.pos += int64(n)
	if n >= blockSize {
		copy(t.last[:], p[n-blockSize:n])
	} else {
		copy(t.last[:], t.last[n:])
		copy(t.last[blockSize-n:], p[:n])
	}
	return n, err
}

// mark is called when a member's content has been read, before what pads it.
func (t *tail) mark() { t.start = (t.pos + blockSize - 1) / blockSize * blockSize }

// ended returns an error unless a block of zeros came after the last member. The second one that
// POSIX asks for carries nothing.
func (t *tail) ended() error {
	if t.pos-t.start < blockSize || t.last != [blockSize]byte{} {
		return fmt.Errorf("it has no end marker: %w", io.ErrUnexpectedEOF)
	}
	return nil
}
