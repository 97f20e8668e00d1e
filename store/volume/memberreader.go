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
	left  int64       // of the content of a plain member
	pad   int64       // behind the content
	tar   *tar.Reader // has the current member; nil for a plain one
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
	if !isBodiless(h.Typeflag) {
		m.pad = int64(Padding(h.Size))
	}
	return h, nil
}

// finish reads to the end of the current member.
func (m *memberReader) finish() error {
	if m.tar != nil || m.left > 0 {
		if _, err := io.Copy(io.Discard, m); err != nil {
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
