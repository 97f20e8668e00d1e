package volume

import (
	"archive/tar"
	"context"
	"io"
)

// file gives the regular file name in d to the sink.
func (w *walker) file(ctx context.Context, d *folder, name, member string) error {
	if m, err := d.stat(name); err != nil {
		return gone(err)
	} else if same, err := w.sameFile(m, member); same || err != nil {
		return err
	}
	for attempt := 1; ; attempt++ {
		changed, err := w.readFile(ctx, d, name, member)
		if err != nil || changed == "" {
			return err
		}
		if attempt == w.attempts {
			w.noteChanged(member, changed)
			return nil
		}
		if err := w.sink.Drop(); err != nil {
			return writeError(member, err)
		}
		w.report.Members--
	}
}

// sameFile tells whether the sink has the file. One with several names is always read, since
// which of them holds the content depends on the others.
func (w *walker) sameFile(m *meta, member string) (bool, error) {
	if m.kind != 0 || m.links > 1 {
		return false, nil
	}
	return w.unchanged(member, w.state(m))
}

// readFile gives the file to the sink, and says how it changed meanwhile, if it did.
func (w *walker) readFile(ctx context.Context, d *folder, name, member string) (changed string, err error) {
	f, m, err := d.open(name)
	if err != nil {
		return "", gone(err)
	}
	defer f.close()
	if done, err := w.link(m, member); done || err != nil {
		return "", err
	}
	attrs, err := f.attributes()
	if err != nil {
		return "", err
	}
	head, err := w.header(m, tar.TypeReg, member, "", attrs)
	if err != nil {
		return "", err
	}
	content := &content{ctx: ctx, f: f, size: m.size, data: m.size, sparse: m.allocated < m.size}
	if content.sparse {
		content.data = 0
	}
	if err := w.sink.Put(member, w.state(m), head, content, m.size); err != nil {
		return "", writeError(member, err)
	}
	now, err := f.stat()
	if err != nil || !m.changed(now) {
		return "", err
	}
	return changeReason(m, now), nil
}

func changeReason(m, now *meta) string {
	switch {
	case now.size > m.size:
		return "it grew while it was read; what was added is not in the stream"
	case now.size < m.size:
		return "it shrank while it was read; the stream has zeros for what went missing"
	}
	return "its times changed while it was read"
}

// content reads exactly size bytes: what f holds, zeros for holes and for what is missing at the
// end.
type content struct {
	ctx    context.Context
	f      *file
	size   int64
	sparse bool
	off    int64
	data   int64 // up to here data is known to be; then, if sparse, holes are looked for
	hole   int64 // up to here there are zeros
}

func (c *content) Read(p []byte) (int, error) {
	if err := c.ctx.Err(); err != nil {
		return 0, err
	}
	if c.off >= c.size {
		return 0, io.EOF
	}
	if c.sparse && c.off >= c.data {
		c.hole, c.data = c.f.nextData(c.off, c.size)
	}
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
