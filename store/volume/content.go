package volume

import (
	"archive/tar"
	"context"
)

// file writes the regular file name in d.
func (t *treeWriter) file(ctx context.Context, d *folder, name, member string) error {
	f, m, err := d.open(name)
	if err != nil {
		return gone(err)
	}
	defer f.close()
	if done, err := t.link(m, member); done || err != nil {
		return err
	}
	attrs, err := f.attributes()
	if err != nil {
		return err
	}
	if err := t.header(m, tar.TypeReg, member, "", attrs); err != nil {
		return err
	}
	if err := t.content(ctx, f, m, member); err != nil {
		return err
	}
	now, err := f.stat()
	if err != nil {
		return err
	}
	if m.changed(now) {
		t.noteChanged(member, changeReason(m, now))
	}
	return nil
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

// content writes exactly m.size bytes: what f holds, zeros for holes and for what is missing at the end.
func (t *treeWriter) content(ctx context.Context, f *file, m *meta, member string) error {
	data := m.size // where data ends, or a hole follows
	sparse := m.allocated < m.size
	if sparse {
		data = 0
	}
	for off := int64(0); off < m.size; {
		if sparse && off == data {
			var start int64
			start, data = f.nextData(off, m.size)
			if err := t.zeros(ctx, start-off, member); err != nil {
				return err
			}
			off = start
			continue
		}
		n, err := f.readAt(t.buf[:min(int64(len(t.buf)), data-off)], off)
		if err != nil {
			return err
		}
		if n == 0 { // cut short meanwhile
			return t.zeros(ctx, m.size-off, member)
		}
		if _, err := t.tar.Write(t.buf[:n]); err != nil {
			return writeError(member, err)
		}
		off += int64(n)
		if err := ctx.Err(); err != nil {
			return err
		}
	}
	return nil
}

// zeros writes n zeros.
func (t *treeWriter) zeros(ctx context.Context, n int64, member string) error {
	if n == 0 {
		return nil
	}
	clear(t.buf)
	for n > 0 {
		some := min(n, int64(len(t.buf)))
		if _, err := t.tar.Write(t.buf[:some]); err != nil {
			return writeError(member, err)
		}
		n -= some
		if err := ctx.Err(); err != nil {
			return err
		}
	}
	return nil
}
