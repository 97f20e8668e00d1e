package store

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
)

// volumeTaken is a volume whose chunks have been taken in.
type volumeTaken struct {
	record   format.Volume // without recipes
	list     *intake.Stream
	contents *intake.Stream
	states   *intake.Stream // of a folder; else nil
	changed  int            // files that changed while they were read
	reused   int            // members taken over from an earlier capture
}

// takeVolume reads a volume to its end.
func (s *session) takeVolume(ctx context.Context, v VolumeInput) (*volumeTaken, error) {
	if v.Folder != nil {
		return s.takeFolder(ctx, v)
	}
	src, err := v.Open(ctx)
	if err != nil {
		return nil, err
	}
	defer src.Close()
	unpacked, compression, err := tarstream.Decompress(src)
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
		list:     s.intake.Stream(intake.Listing),
		contents: s.intake.Stream(intake.Contents),
	}
	parts := tarstream.NewReader(ahead, tarstream.Options{AcceptUnfinished: s.o.AcceptUnfinished})
	if err := s.takeParts(parts, t); err != nil {
		return nil, err
	}
	t.record.SHA256, _ = ahead.Sum()
	t.record.Length = uint64(parts.Offset())
	t.record.Tar = parts.Tar()
	if !parts.Tar() && t.record.Length > 0 {
		t.record.Members = 1
	}
	if err := parts.Unfinished(); err != nil {
		t.record.Unfinished = err.Error()
	}
	return t, nil
}

// takeParts takes in every header and content of a stream.
func (s *session) takeParts(parts *tarstream.Reader, t *volumeTaken) error {
	list, err := s.listWriter(t.list)
	if err != nil {
		return err
	}
	cutter, err := chunk.NewCutter(s.params)
	if err != nil {
		return errors.Join(err, list.Close())
	}
	for {
		part, err := parts.Next()
		if err == io.EOF {
			return list.Close()
		}
		if err == nil {
			err = s.takePart(part, parts, cutter, list, t)
		}
		if err != nil {
			list.Close()
			return err
		}
	}
}

// takePart takes in one header and its content.
func (s *session) takePart(part *tarstream.Part, content io.Reader, cutter *chunk.Cutter, list io.Writer, t *volumeTaken) error {
	e := format.Entry{Kind: uint32(part.Kind), Header: part.Header}
	if part.Size != 0 {
		var err error
		if e.Length, e.Chunks, err = s.takeContent(content, cutter, t.contents); err != nil {
			return err
		}
	}
	if part.Kind == tarstream.Entry {
		t.record.Members++
	}
	s.meter.add(int64(len(e.Header))+int64(e.Length), part.Kind == tarstream.Entry)
	_, err := list.Write(s.entries.Encode(e))
	return err
}

// takeContent cuts one content into chunks and takes them in.
func (s *session) takeContent(content io.Reader, cutter *chunk.Cutter, stream *intake.Stream) (length, chunks uint64, err error) {
	cutter.Reset(content)
	for {
		buf, err := s.intake.Reserve()
		if err != nil {
			return 0, 0, err
		}
		c, err := cutter.Next(buf)
		if err == io.EOF {
			return length, chunks, nil
		}
		if err != nil {
			return 0, 0, fmt.Errorf("reading: %w", err)
		}
		s.intake.Put(stream, len(c))
		length += uint64(len(c))
		chunks++
		s.meter.tick(int64(len(c)))
	}
}
