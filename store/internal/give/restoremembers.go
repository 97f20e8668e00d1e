package give

import (
	"archive/tar"
	"bytes"
	"context"
	"fmt"
	"io"
	"iter"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
)

// RestoreMembers writes a tar stream of the members that match accepts, and gives their number.
func (r *Giver) RestoreMembers(ctx context.Context, v *ledger.Volume, match func(path string) bool, w io.Writer, m *vault.Meter) (int, error) {
	n, err := r.writeMembers(ctx, v, r.reader.Listing(ctx, v), &selection{match: match}, w, m)
	return n, r.OrMoved(ctx, v, err)
}

// listing is the member list of a volume, to be read several times.
type listing = iter.Seq2[*weave.Listed, error]

func (r *Giver) writeMembers(ctx context.Context, v *ledger.Volume, list listing, s *selection, w io.Writer, m *vault.Meter) (int, error) {
	if !v.Tar {
		return 0, fmt.Errorf("volume %q: %w: it is no tar stream and has no members to choose from", v.Name, vault.ErrBadOptions)
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	w = heed(ctx, w)
	if err := s.resolve(list); err != nil {
		return 0, err
	}
	chunks, err := r.contentOf(ctx, v, func(yield func(weave.Span) bool) {
		for l, err := range list {
			// An error shows to whoever writes, too.
			if err != nil || s.reads(l) && !yield(weave.Span{First: l.Chunk, Count: l.Chunks}) {
				return
			}
		}
	})
	if vault.IsDamage(err) && !s.anyContent(list) { // of where contents lie that nobody wants
		chunks, err = &chosen{Reader: r.slabs.Read(ctx, fetch.Inline(nil))}, nil
	}
	if err != nil {
		return 0, err
	}
	defer chunks.Close()
	n := 0
	for l, err := range list {
		if err != nil {
			return n, err
		}
		written, err := s.write(w, l, chunks, func(of *weave.Listed) (*chosen, error) {
			return r.contentOf(ctx, v, func(yield func(weave.Span) bool) { yield(weave.Span{First: of.Chunk, Count: of.Chunks}) })
		})
		if err != nil {
			return n, fmt.Errorf("member %q: %w", l.Member.Path, err)
		}
		if written {
			m.Add(int64(l.Length), true)
			n++
		}
	}
	if n == 0 {
		return 0, fmt.Errorf("a member that matches: %w", vault.ErrNotFound)
	}
	m.Done()
	if err := writeAll(w, make([]byte, 2*tarBlock)); err != nil { // the end marker
		return n, err
	}
	return n, chunks.unproved
}

const tarBlock = 512

// heedful is a writer that fails once ctx is done: a hole may be of exabytes.
type heedful struct {
	ctx context.Context
	w   io.Writer
}

func (h *heedful) Write(p []byte) (int, error) {
	if h.ctx.Err() != nil {
		return 0, context.Cause(h.ctx)
	}
	return h.w.Write(p)
}

// heed gives w as a heedful writer, of holes too if w is.
func heed(ctx context.Context, w io.Writer) io.Writer {
	if h, ok := w.(holeWriter); ok {
		return &heedfulHoles{heedful{ctx, w}, h}
	}
	return &heedful{ctx, w}
}

type heedfulHoles struct {
	heedful
	holes holeWriter
}

// WriteHole takes a stretch of zeros without its bytes.
func (h *heedfulHoles) WriteHole(n int64) error {
	if h.ctx.Err() != nil {
		return context.Cause(h.ctx)
	}
	return h.holes.WriteHole(n)
}

// writeMember writes one member as it was captured.
func writeMember(w io.Writer, l *weave.Listed, chunks *chosen) error {
	if err := writeAll(w, l.Head[l.Skip:]); err != nil {
		return err
	}
	left := l.Length
	for n := l.Chunks; n > 0; {
		b, err := chunks.NextBlock(n)
		if err != nil {
			return weave.OrDamage(err, "its contents end too early")
		}
		if uint64(len(b.Data))*b.Times > left {
			return fmt.Errorf("%w: its contents are too long", format.ErrDamaged)
		}
		if err := writeChunks(w, b); err != nil {
			return err
		}
		n -= uint64(len(b.Lengths)) * b.Times
		left -= uint64(len(b.Data)) * b.Times
	}
	if left > 0 {
		return fmt.Errorf("%w: its contents are too short", format.ErrDamaged)
	}
	return writeAll(w, make([]byte, weave.Padding(l.Length)))
}

// writeAs writes one member under another name.
func writeAs(w io.Writer, l *weave.Listed, name string, chunks *chosen) error {
	var content io.Reader
	if l.Member.Type == tarstream.File {
		content = io.LimitReader(fetch.Bytes(chunks.Next), int64(l.Length))
	}
	return rewrite(w, l, content, func(h *tar.Header) { h.Name = name })
}

// rewrite writes a member with another header.
func rewrite(w io.Writer, l *weave.Listed, content io.Reader, change func(*tar.Header)) error {
	size := int64(0)
	if content != nil {
		var err error
		if content, err = tarstream.Expand(l.Head[l.Skip:], int64(l.Length), content); err != nil {
			return fmt.Errorf("%w: %w", format.ErrDamaged, err)
		}
		size = l.Member.Size
	}
	h := headerOf(l.Member)
	h.Size = size
	change(h)
	var buf bytes.Buffer
	if err := tar.NewWriter(&buf).WriteHeader(h); err != nil {
		return err
	}
	if err := writeAll(w, buf.Bytes()); err != nil || content == nil {
		return err
	}
	n, err := io.Copy(w, content)
	if err == nil && n != size {
		err = fmt.Errorf("%w: %d bytes where its header says %d", format.ErrDamaged, n, size)
	}
	if err != nil {
		return err
	}
	err = writeAll(w, make([]byte, weave.Padding(uint64(size))))
	return err
}

// headerOf gives a header with what is known of a member.
func headerOf(m *tarstream.Member) *tar.Header {
	h := &tar.Header{
		Typeflag: typeflagOf(m.Type), Devmajor: m.DevMajor, Devminor: m.DevMinor, Name: m.Path, Linkname: m.Link, Mode: weave.UnixMode(m.Mode),
		Uid: m.UID, Gid: m.GID, Uname: m.User, Gname: m.Group, ModTime: m.Modified,
		Format: tar.FormatPAX, PAXRecords: make(map[string]string),
	}
	for name, value := range m.Attributes {
		h.PAXRecords["SCHILY.xattr."+name] = string(value)
	}
	return h
}

// typeflagOf gives the type of a member as a header has it.
func typeflagOf(t tarstream.Type) byte {
	switch t {
	case tarstream.Hardlink:
		return tar.TypeLink
	case tarstream.Symlink:
		return tar.TypeSymlink
	case tarstream.CharDevice:
		return tar.TypeChar
	case tarstream.BlockDevice:
		return tar.TypeBlock
	case tarstream.FIFO:
		return tar.TypeFifo
	}
	return tar.TypeReg
}
