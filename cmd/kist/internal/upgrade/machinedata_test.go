package upgrade

import (
	"context"
	"errors"
	"fmt"
)

// fakeData is a repository of the machine's.
type fakeData struct{ m *machine }

func (d fakeData) does(ctx context.Context, what string, do func() error) error {
	return d.m.op(what, func() error {
		if err := ctx.Err(); err != nil {
			return err
		}
		if d.m.noShare {
			return errors.New("the share is gone")
		}
		return do()
	})
}

func (d fakeData) Draft(ctx context.Context) error {
	return d.does(ctx, "draft", func() error { return nil })
}

func (d fakeData) Capture(ctx context.Context) (id string, err error) {
	return "k7f3", d.does(ctx, "capture", func() error {
		for _, c := range d.m.containers {
			if c.running {
				d.m.wrong = append(d.m.wrong, c.name+" runs while it is captured")
			}
		}
		d.m.captures["k7f3"] = d.m.data
		return nil
	})
}

func (d fakeData) Hold(ctx context.Context, r *Record) error {
	return d.does(ctx, "hold", func() error { d.m.held[r.HoldReason()] = true; return nil })
}

// Release ends the hold of an upgrade that is certain to be at its end.
func (d fakeData) Release(ctx context.Context, r *Record) error {
	return d.does(ctx, "release", func() error {
		if open, err := binding(d.m.dir); err == nil && len(open) > 0 && open[0].Step != Good {
			d.m.wrong = append(d.m.wrong, "the hold is let go while the journal says "+string(open[0].Step))
		}
		delete(d.m.held, r.HoldReason())
		return nil
	})
}

func (d fakeData) Find(ctx context.Context, id string) error {
	return d.does(ctx, "find", func() error {
		if d.m.captures[id] == "" {
			return errors.New("no such capture")
		}
		return nil
	})
}

func (d fakeData) Restore(ctx context.Context, r *Record, do Deeds) error {
	if _, ok := r.Kept["/data"]; ok {
		return nil
	}
	m := d.m
	err := d.does(ctx, "build", func() error {
		if m.damaged {
			return errors.New("frame 3 is damaged")
		}
		m.built++
		return nil
	})
	if err == nil {
		err = do.Stop(ctx)
	}
	if err != nil {
		return fmt.Errorf("%w: %w", ErrUntouched, err)
	}
	x := Exchange{Stood: Tree{Kind: kindFolder, Inode: m.inode}, Built: Tree{Kind: kindFolder, Inode: 1000 + m.built}}
	if m.copies {
		x = Copied
	}
	unnoted := m.op("note", func() error { do.Note(map[string]Exchange{"/data": x}); return nil })
	err = m.op("exchange", func() error {
		for _, c := range m.containers {
			if c.running {
				m.wrong = append(m.wrong, c.name+" runs while its data is exchanged")
			}
		}
		if m.backRan {
			m.wrong = append(m.wrong, "what the old version wrote is put away")
		}
		if noted := m.noted("/data"); noted.Built.Inode != x.Built.Inode && unnoted == nil {
			m.wrong = append(m.wrong, fmt.Sprintf("what is exchanged is not what the journal says: %+v", noted))
		}
		m.kept = append(m.kept, m.data)
		m.data, m.inode = m.captures[r.Capture], x.Built.Inode
		return nil
	})
	if err != nil && len(m.kept) == 0 {
		return fmt.Errorf("%w: %w", ErrUntouched, err)
	}
	if err != nil || m.copies {
		return err
	}
	m.op("kept", func() error { do.Kept("/data", fmt.Sprintf("/data.before-%d", len(m.kept))); return nil })
	return nil
}

// noted gives what the journal says on disk of a place.
func (m *machine) noted(place string) Exchange {
	open, err := binding(m.dir)
	if err != nil || len(open) != 1 {
		return Exchange{}
	}
	return open[0].Exchanges[place]
}

// fakeGround is where the data lies.
type fakeGround struct{ m *machine }

func (g fakeGround) order(string, Exchange) error { return nil }

func (g fakeGround) stands(place string, x Exchange) (stood, built bool) {
	return g.m.inode == x.Stood.Inode, g.m.inode == x.Built.Inode
}

func (g fakeGround) kept(string, Exchange) string {
	return fmt.Sprintf("/data.before-%d", len(g.m.kept))
}

func (d fakeData) Close() error { return nil }
