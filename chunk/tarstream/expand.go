package tarstream

import (
	"archive/tar"
	"bytes"
	"fmt"
	"io"
)

// Expand returns a reader of a file as it was before it became a member: for a
// sparse one, the holes filled with zeros; for all others, the content as it
// is. It needs the member's verbatim header and stored content alone, as a
// Reader returned them; stored is Part.Size. Of what is sparse it understands
// all that GNU tar writes: the old GNU format and pax 0.0, 0.1 and 1.0, with a
// map of at most 1 MiB (archive/tar's limit). Memory is bounded by [MaxHeader] a
// few times over; the length of the file is bounded
// by nothing, so a caller that stores it takes Member.Size into account.
//
// The reader reads no more from content than it must, and fails with
// io.ErrUnexpectedEOF when content is shorter than stored.
func Expand(header []byte, stored int64, content io.Reader) (io.Reader, error) {
	m, err := new(Decoder).Member(header, stored)
	if err != nil {
		return nil, err
	}
	content = &whole{r: content, left: stored}
	if !m.Sparse {
		return content, nil
	}
	r := tar.NewReader(io.MultiReader(
		bytes.NewReader(header[len(header)%blockSize:]),
		content,
		bytes.NewReader(zeroBlock[:padding(stored)])))
	for {
		h, err := r.Next()
		if err == io.EOF {
			err = io.ErrUnexpectedEOF
		}
		if err != nil {
			return nil, fmt.Errorf("expand the sparse file %q: %w", m.Path, err)
		}
		if h.Typeflag != tar.TypeXGlobalHeader {
			return r, nil
		}
	}
}

// whole reads exactly the bytes announced.
type whole struct {
	r    io.Reader
	left int64
}

func (w *whole) Read(p []byte) (int, error) {
	if w.left <= 0 {
		return 0, io.EOF
	}
	n, err := w.r.Read(p[:min(int64(len(p)), w.left)])
	w.left -= int64(n)
	if err == io.EOF && w.left > 0 {
		err = io.ErrUnexpectedEOF
	}
	return n, err
}
