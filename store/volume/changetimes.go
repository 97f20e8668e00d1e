package volume

import (
	"context"
	"io/fs"
	"time"
)

// clock says what a file system's change times are worth. A system sets them itself at every change,
// so that they show one after which somebody set the modification time back. But some file systems
// keep none, and show the modification time in their place, or have a server that does.
type clock int

const (
	clockDoubtful clock = iota // it has to be seen, file system by file system
	clockKept
	clockLayered // kept, though its files may be on another device than their folder
	clockAbsent  // or not moved by all that changes a file
)

// changeTimes says for each device whether files on it may be told by their change times.
type changeTimes struct {
	clock   func(*folder) clock // of the file system that a folder is on
	look    bool                // whether it is worth a look at all of a doubtful one
	trusted map[uint64]bool     // by device

	missed bool // a file was read for want of change times
}

// enter looks at the file system that a folder is on, once.
func (c *changeTimes) enter(ctx context.Context, d *sharedFolder, m *meta) error {
	f, err := d.pin()
	if err != nil {
		return err
	}
	defer d.unpin()
	d.dev, d.clock = m.dev, c.clock(f)
	if _, known := c.trusted[m.dev]; known {
		return nil
	}
	switch d.clock {
	case clockKept, clockLayered:
		c.trusted[m.dev] = true
	case clockDoubtful:
		c.trusted[m.dev] = c.look && differ(ctx, f, m, maxLook)
	default:
		c.trusted[m.dev] = false
	}
	return nil
}

// trusts says whether the change time of what is in d, or d's own, tells of every change.
func (c *changeTimes) trusts(d *sharedFolder, m *meta) bool {
	if m.ino == 0 || m.ctime.IsZero() {
		return false
	}
	dev := m.dev
	if d.clock == clockLayered {
		dev = d.dev
	}
	if c.trusted[dev] {
		return true
	}
	c.missed = c.missed || m.kind == 0 && m.size > 0
	return false
}

// maxLook is how many folders deep change times are looked for.
const maxLook = 64

// apart tells whether a change time is not just a modification time, maybe a rounded one.
func apart(m *meta) bool { return m.ctime.Sub(m.mtime).Abs() > 2*time.Second }

// differ tells whether anything in d, down to some depth, or d itself has a change time apart from its
// modification time: that can only be where change times are kept. Every tree has that in which a file
// was ever moved, linked, or given its time, owner or mode. What can't be looked at says nothing here.
func differ(ctx context.Context, d *folder, m *meta, depth int) bool {
	if apart(m) {
		return true
	}
	entries, err := list(ctx, d)
	if err != nil || depth == 0 {
		return false
	}
	for _, e := range entries {
		m, err := d.stat(e.name)
		if err == nil && apart(m) {
			return true
		}
	}
	for _, e := range entries {
		if e.kind == fs.ModeDir && differIn(ctx, d, e.name, depth-1) {
			return true
		}
	}
	return false
}

func differIn(ctx context.Context, d *folder, name string, depth int) bool {
	c, err := d.child(name)
	if err != nil {
		return false
	}
	defer c.close()
	m, err := c.stat(".")
	return err == nil && differ(ctx, c, m, depth)
}
