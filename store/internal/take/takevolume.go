package take

import (
	"context"
	"errors"
	"fmt"
	"io"
	"runtime"
	"strings"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/weave"
	"github.com/kistarchive/kist/store/volume"
)

// volumeTaken is a volume whose chunks have been taken in.
type volumeTaken struct {
	record format.Volume // without recipes
	weave.Strands
	expected *expected // of what is read as a stream; else nil
	changed  int       // files that changed while they were read
	reused   int       // members taken over from an earlier capture

	firstRead bool // of a folder: there is no capture of this machine to take over from
	leftOut   []volume.LeftOut
}

// takeVolume reads a volume to its end.
func (s *session) takeVolume(ctx context.Context, v Volume) (*volumeTaken, error) {
	if v.Folder != nil {
		return s.takeFolder(ctx, v)
	}
	if err := s.await(); err != nil {
		return nil, err
	}
	unpacked, compression, err := openStream(ctx, v)
	if err != nil {
		return nil, err
	}
	defer unpacked.Close()
	ahead := newReadAhead(ctx, unpacked)
	defer ahead.Close()
	t := &volumeTaken{
		record: format.Volume{
			Name: v.Name, MountPath: v.MountPath, Source: v.Source, Compression: string(compression),
		},
		Strands: s.NewStrands(),
	}
	if s.Intake.Follows() {
		if err := s.followVolume(ctx, t, s.latestRead(ctx, v)); err != nil {
			return nil, err
		}
	}
	t.expected = s.expect(ctx, v)
	defer t.expected.close()
	parts := tarstream.NewReader(ahead, tarstream.Options{AcceptUnfinished: s.o.AcceptUnfinished})
	if err := s.takeParts(parts, t); err != nil {
		return nil, err
	}
	// Whoever reads what a command writes may tell only now that it failed.
	if err := unpacked.Close(); err != nil {
		return nil, fmt.Errorf("closing: %w", err)
	}
	t.record.SHA256, _ = ahead.Sum()
	t.record.Length = uint64(parts.Offset())
	t.record.Tar = parts.Tar()
	if !parts.Tar() && t.record.Length > 0 {
		t.record.Members = 1
	}
	if err := parts.Unfinished(); err != nil {
		t.record.Unfinished = strings.ToValidUTF8(err.Error(), "\uFFFD")
	}
	return t, nil
}

// openStream opens a volume's stream, unpacked. The first reads may block for
// long, as on standard input or a share; it heeds ctx all the same.
func openStream(ctx context.Context, v Volume) (io.ReadCloser, tarstream.Compression, error) {
	type outcome struct {
		stream      *unpackedStream
		compression tarstream.Compression
		err         error
	}
	done := make(chan outcome, 1)
	go func() {
		src, err := v.Open(ctx)
		if err != nil {
			done <- outcome{err: err}
			return
		}
		if src == nil {
			done <- outcome{err: fmt.Errorf("volume %q: Open gave no stream", v.Name)}
			return
		}
		unpacked, compression, err := tarstream.Decompress(src)
		if err != nil {
			src.Close()
		}
		done <- outcome{&unpackedStream{ReadCloser: unpacked, src: src}, compression, err}
	}()
	select {
	case o := <-done:
		if o.err != nil {
			return nil, "", o.err
		}
		return o.stream, o.compression, nil
	case <-ctx.Done():
		go func() {
			if o := <-done; o.err == nil {
				o.stream.Close()
			}
		}()
		return nil, "", context.Cause(ctx)
	}
}

// unpackedStream closes what it was unpacked from, too.
type unpackedStream struct {
	io.ReadCloser
	src    io.Closer
	closed bool
}

// Close closes both, once.
func (u *unpackedStream) Close() error {
	if u.closed {
		return nil
	}
	u.closed = true
	return errors.Join(u.ReadCloser.Close(), u.src.Close())
}

// takeParts takes in every header and content of a stream.
func (s *session) takeParts(parts *tarstream.Reader, t *volumeTaken) error {
	list, err := s.NewEntryWriter(&t.Strands)
	if err != nil {
		return err
	}
	defer list.Close()
	cutter, err := s.newCutter()
	if err != nil {
		return err
	}
	for {
		part, err := parts.Next()
		if err == io.EOF {
			return list.Finish()
		}
		if err == nil {
			err = s.takePart(part, parts, cutter, list, t)
		}
		if err != nil {
			return err
		}
	}
}

// newCutter gives a Cutter of contents. Half of the cores may search: the others
// have the rest to do, and on two cores the search is not what holds it up.
func (s *session) newCutter() (*chunk.Cutter, error) {
	c, err := chunk.NewCutter(s.Params)
	if err == nil {
		c.Share(runtime.GOMAXPROCS(0) / 2)
	}
	return c, err
}

// takePart takes in one header and its content.
func (s *session) takePart(part *tarstream.Part, content io.Reader, cutter *chunk.Cutter, list *weave.EntryWriter, t *volumeTaken) error {
	e := weave.NewEntry(part.Kind, part.Header)
	if part.Size != 0 {
		var err error
		if e.Length, e.Chunks, err = s.takeStreamed(content, cutter, t.Contents, t.expected); err != nil {
			return err
		}
	}
	if part.Kind == tarstream.Entry {
		t.record.Members++
	}
	return list.Write(e, part.Header)
}

// takeContent cuts one content into chunks and takes them in.
func (s *session) takeContent(content io.Reader, cutter *chunk.Cutter, stream *intake.Stream) (length, chunks uint64, err error) {
	return s.takeStreamed(content, cutter, stream, nil)
}

// takeStreamed is takeContent for what may be expected.
func (s *session) takeStreamed(content io.Reader, cutter *chunk.Cutter, stream *intake.Stream, x *expected) (length, chunks uint64, err error) {
	if err := s.Intake.NewMember(stream); err != nil {
		return 0, 0, err
	}
	for cutter.Reset(content); ; chunks++ {
		zeros, err := s.takeZeros(cutter, stream)
		if err != nil {
			return 0, 0, err
		}
		length += zeros * uint64(s.Params.Min())
		chunks += zeros
		n, err := s.takeChunk(cutter, stream, x)
		if err == io.EOF {
			return length, chunks, nil
		}
		if err != nil {
			return 0, 0, err
		}
		length += uint64(n)
		s.Meter.Tick(int64(n))
	}
}

// takeZeros takes in the next chunks as long as they lie within a hole, and says how many
// they are. One is hashed and looked up for all.
func (s *session) takeZeros(cutter *chunk.Cutter, stream *intake.Stream) (uint64, error) {
	n := uint64(cutter.Zeros())
	if n == 0 {
		return 0, nil
	}
	buf, err := s.Intake.Reserve()
	if err != nil {
		return 0, err
	}
	clear(buf[:s.Params.Min()])
	s.Intake.PutTimes(stream, s.Params.Min(), n)
	s.Meter.Tick(int64(n) * int64(s.Params.Min()))
	return n, nil
}

// takeChunk takes in the next chunk of a content and gives its length.
func (s *session) takeChunk(cutter *chunk.Cutter, stream *intake.Stream, x *expected) (int, error) {
	if c, ok := x.take(cutter); ok {
		return c.length, s.Intake.PutKnown(stream, c.ref, c.length)
	}
	buf, err := s.Intake.Reserve()
	if err != nil {
		return 0, err
	}
	c, err := cutter.Next(buf)
	if err == io.EOF {
		return 0, err
	}
	if err != nil {
		return 0, fmt.Errorf("reading: %w", err)
	}
	s.Intake.Put(stream, len(c))
	x.passed(c)
	return len(c), nil
}
