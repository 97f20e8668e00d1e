package volume

import (
	"archive/tar"
	"bytes"
	"context"
	"io"
)

// loadFiles opens files and reads small ones, until there are no more.
func (w *walker) loadFiles(ctx context.Context) {
	for j := range w.load {
		if ctx.Err() == nil {
			j.file, j.err = loadFile(ctx, j)
		} else {
			j.err = ctx.Err()
		}
		if reason := passedOver(j.err); reason != "" {
			j.err, j.note = nil, reason
		}
		j.folder.release()
		close(j.ready)
	}
}

// loaded is a regular file that has been opened, and read if it is small.
type loaded struct {
	f      *file
	member string
	m      *meta // when it was opened, or before the last reading
	state  *State
	header []byte
	left   []string // attributes that fit no header
	data   []byte   // nil for a file that is to be read when its turn comes
	after  *meta    // when data had been read
}

func loadFile(ctx context.Context, j *job) (*loaded, error) {
	d, err := j.folder.pin()
	if err != nil {
		return nil, err
	}
	f, m, err := d.open(j.name)
	j.folder.unpin()
	if err != nil {
		return nil, gone(err)
	}
	l := &loaded{f: f, member: j.member, state: j.state}
	err = l.describe(m)
	if err == nil && m.size <= loadLimit {
		err = l.read(ctx)
	}
	if err != nil {
		f.close()
		return nil, err
	}
	return l, nil
}

// describe makes the header for the file as m describes it.
func (l *loaded) describe(m *meta) error {
	attrs, err := l.f.attributes()
	if err != nil {
		return err
	}
	s := *l.state // with the owners' names; they change with the numbers only
	if s.UID != m.uid {
		s.User = ""
	}
	if s.GID != m.gid {
		s.Group = ""
	}
	s.Kind, s.Perm, s.UID, s.GID, s.Size, s.Device, s.Inode = m.kind, m.perm, m.uid, m.gid, m.size, m.dev, m.ino
	s.Modified = m.mtime.UnixNano()
	if !m.ctime.IsZero() {
		s.Changed = m.ctime.UnixNano()
	}
	l.m, l.state, l.data, l.after = m, &s, nil, nil
	l.header, l.left, err = headerOf(m, &s, tar.TypeReg, l.member, "", attrs)
	return err
}

// read reads the content ahead.
func (l *loaded) read(ctx context.Context) error {
	l.data = make([]byte, l.m.size)
	if _, err := io.ReadFull(l.reader(ctx), l.data); err != nil {
		return err
	}
	var err error
	l.after, err = l.f.stat()
	return err
}

// content gives the content.
func (l *loaded) content(ctx context.Context) io.Reader {
	if l.data != nil {
		return bytes.NewReader(l.data)
	}
	return l.reader(ctx)
}

func (l *loaded) reader(ctx context.Context) *memberContent {
	c := &memberContent{ctx: ctx, f: l.f, size: l.m.size, data: l.m.size, sparse: l.m.allocated < l.m.size}
	if c.sparse {
		c.data = 0
	}
	return c
}

// changed says how the file changed between when it was described and when it had been read.
func (l *loaded) changed() (string, error) {
	now := l.after
	if now == nil {
		var err error
		if now, err = l.f.stat(); err != nil {
			return "", err
		}
	}
	if !l.m.changed(now) {
		return "", nil
	}
	return changeReason(l.m, now), nil
}

// again prepares for another reading.
func (l *loaded) again() error {
	m, err := l.f.stat()
	if err != nil {
		return err
	}
	return l.describe(m)
}

func (l *loaded) close() { l.f.close() }

func changeReason(m, now *meta) string {
	switch {
	case now.size > m.size:
		return fileGrew
	case now.size < m.size:
		return fileShrank
	}
	return timesChanged
}

// memberContent reads exactly size bytes: what f holds, zeros for holes and for what is missing at the
// end.
type memberContent struct {
	ctx    context.Context
	f      *file
	size   int64
	sparse bool
	off    int64
	data   int64 // up to here data is known to be; then, if sparse, holes are looked for
	hole   int64 // up to here there are zeros
}

// Hole implements chunk.HoleReader.
func (c *memberContent) Hole() int64 {
	c.look()
	return max(c.hole-c.off, 0)
}

// Skip implements chunk.HoleReader.
func (c *memberContent) Skip(n int64) { c.off += n }

// look looks for the next hole where the last one or the data behind it ends.
func (c *memberContent) look() {
	if c.sparse && c.off >= c.data && c.off >= c.hole && c.off < c.size {
		c.hole, c.data = c.f.nextData(c.off, c.size)
	}
}

func (c *memberContent) Read(p []byte) (int, error) {
	if err := c.ctx.Err(); err != nil {
		return 0, err
	}
	if c.off >= c.size {
		return 0, io.EOF
	}
	c.look()
	if c.off < c.hole {
		n := min(int64(len(p)), c.hole-c.off)
		clear(p[:n])
		c.off += n
		return int(n), nil
	}
	n, err := c.f.readAt(p[:min(int64(len(p)), c.data-c.off)], c.off)
	if err != nil {
		return 0, err
	}
	if n == 0 { // cut short meanwhile
		c.hole, c.data, c.sparse = c.size, c.size, false
		return c.Read(p)
	}
	c.off += int64(n)
	return n, nil
}
