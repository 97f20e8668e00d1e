package volume

import (
	"bufio"
	"context"
	"fmt"
	"io"
)

// WriteTar writes the folder at dir to w as a pax tar stream with an end-of-archive marker, and
// does not close w.
//
// The folder itself is the member "./", all others are "./NAME"; a folder comes before what it
// holds and names are sorted by their bytes, so that an unchanged tree gives identical bytes.
// Kept are owners by number and name, all mode bits, modification times to the nanosecond,
// extended attributes and POSIX ACLs, symbolic and hard links, pipes and devices. Of a file with
// several names the first in order holds the content. Holes are read as zeros, without touching the
// disk.
//
// Symbolic links are never followed, except on the way to dir, by the rule of [OpenFolder]. A file that changes while it is read
// fills exactly the length that was announced for it, cut or padded with zeros, and is reported as
// changed. A file or folder that can't be read is an error that wraps an *fs.PathError. After an
// error the stream is incomplete and has no end marker; the report says how far it came. What is in
// more than 16,384 folders within one another, or has a path of 448 KiB, is left out and noted.
//
// Between members and between reads, ctx is looked at. Calls may run at the same time.
func WriteTar(ctx context.Context, w io.Writer, dir string, o ReadOptions) (*ReadReport, error) {
	out := bufio.NewWriterSize(w, bufferSize)
	sink := &tarSink{w: out, buf: make([]byte, bufferSize)}
	report, err := walk(ctx, dir, sink, o, 1)
	if err != nil {
		return report, err
	}
	out.Write(EndMarker())
	if err := out.Flush(); err != nil {
		return report, fmt.Errorf("writing the stream's end: %w", err)
	}
	return report, nil
}

// EndMarker gives what ends a tar stream: two blocks of zeros.
func EndMarker() []byte { return make([]byte, 2*blockSize) }

// Padding gives how many zeros follow a member's content of that size.
func Padding(size int64) int { return int(-size & (blockSize - 1)) }

// tarSink writes members to a stream.
type tarSink struct {
	w   *bufio.Writer
	buf []byte
}

func (s *tarSink) Find(string, *State) (any, error) { return nil, nil }

// TakeOver is never called: nothing is found.
func (s *tarSink) TakeOver(any) error { return nil }

func (s *tarSink) Put(_ string, _ *State, header []byte, content io.Reader, size int64) error {
	if _, err := s.w.Write(header); err != nil || size == 0 {
		return err
	}
	// Not by bufio's ReadFrom, which would read in small steps.
	if _, err := io.CopyBuffer(struct{ io.Writer }{s.w}, content, s.buf); err != nil {
		return err
	}
	_, err := s.w.Write(make([]byte, Padding(size)))
	return err
}

// Drop is never called: a stream is read once.
func (s *tarSink) Drop() error { return nil }
