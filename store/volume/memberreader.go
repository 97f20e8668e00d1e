package volume

import (
	"archive/tar"
	"bufio"
	"errors"
	"io"
)

// memberReader gives the members of a tar stream as archive/tar does. Members of the plain kind, see
// plain.go, it reads itself, for their parsing is a good part of the work on a small file. All others,
// whatever is broken and the end it leaves to archive/tar, one member at a time.
type memberReader struct {
	in    *tail
	plain plainHeader
	left  int64       // of the content of a member that is read here
	pad   int64       // behind the content
	tar   *tar.Reader // has the current member; nil for one that is read here
	stay  bool        // tar must read the next member, too: only it knows where that begins
}

// next goes on to the next member. The header is there until the next call. Of what is not in a
// tar.Header's other fields PAXRecords holds all that matters here; AccessTime, ChangeTime, Format and
// Xattrs may be missing.
func (m *memberReader) next() (*tar.Header, error) {
	if !m.stay {
		if err := m.finish(); err != nil {
			return nil, err
		}
		n, err := m.plain.find(m.in.r)
		if err != nil {
			return nil, err
		}
		if n > 0 {
			m.left, m.pad = m.plain.h.Size, int64(Padding(m.plain.h.Size))
			_, err := m.in.skip(n)
			return &m.plain.h, err
		}
		m.tar = tar.NewReader(m.in)
	}
	h, err := m.tar.Next()
	if err != nil && !errors.Is(err, tar.ErrInsecurePath) {
		return nil, err
	}
	m.stay = h.Typeflag == tar.TypeXGlobalHeader || isSparse(h)
	m.pad = 0
	if h.Typeflag == tar.TypeReg && !m.stay { // its content is what comes next, and may have holes
		m.tar, m.left = nil, h.Size
	}
	if !isBodiless(h.Typeflag) {
		m.pad = int64(Padding(h.Size))
	}
	return h, nil
}

// finish reads to the end of the current member.
func (m *memberReader) finish() error {
	if m.tar != nil || m.left > 0 {
		if err := m.discard(); err != nil {
			return err
		}
	}
	m.tar = nil
	_, err := m.in.skip(int(m.pad))
	m.pad = 0
	if err == io.EOF {
		err = nil // the next header is missing
	}
	return err
}

// discard reads over the rest of the current member's content.
func (m *memberReader) discard() error {
	for {
		for n := m.Hole(); n > 0; n = m.Hole() {
			m.Skip(n)
		}
		if _, err := io.CopyN(io.Discard, m, bufferSize); err == io.EOF {
			return nil
		} else if err != nil {
			return err
		}
	}
}

// Hole implements chunk.HoleReader, for as much as belongs to the member.
func (m *memberReader) Hole() int64 {
	if m.in.holes == nil || m.tar != nil || m.left == 0 || m.in.r.Buffered() > 0 {
		return 0
	}
	return min(m.in.holes.Hole(), m.left)
}

// Skip implements chunk.HoleReader.
func (m *memberReader) Skip(n int64) {
	m.in.holes.Skip(n)
	m.in.pos += n
	m.left -= n
}

// isBodiless reports whether members of a kind have no content, whatever their size says.
func isBodiless(flag byte) bool { return flag >= tar.TypeLink && flag <= tar.TypeFifo }

// Read reads the content of the current member.
func (m *memberReader) Read(p []byte) (int, error) {
	if m.tar != nil {
		return m.tar.Read(p)
	}
	if m.left == 0 {
		return 0, io.EOF
	}
	n, err := m.in.r.Read(p[:min(int64(len(p)), m.left)])
	m.in.pos += int64(n)
	m.left -= int64(n)
	if err == io.EOF && m.left > 0 {
		err = io.ErrUnexpectedEOF
	}
	return n, err
}

// skip reads over n bytes of what was looked at before, or of padding.
func (t *tail) skip(n int) (int, error) {
	n, err := t.r.Discard(n)
	t.pos += int64(n)
	return n, err
}

// peek gives the next n bytes, or nil where there are fewer.
func peek(r *bufio.Reader, n int) ([]byte, error) {
	b, err := r.Peek(n)
	if err == nil {
		return b, nil
	}
	if err == io.EOF || err == bufio.ErrBufferFull {
		err = nil
	}
	return nil, err
}
