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

func (d fakeData) Hold(ctx context.Context, id string) error {
	return d.does(ctx, "hold", func() error { d.m.held[id] = true; return nil })
}

func (d fakeData) Release(ctx context.Context, id string) error {
	return d.does(ctx, "release", func() error { delete(d.m.held, id); return nil })
}

func (d fakeData) Ready(ctx context.Context, id string) error {
	return d.does(ctx, "ready", func() error {
		if d.m.captures[id] == "" {
			return errors.New("no such capture")
		}
		return nil
	})
}

func (d fakeData) Restore(ctx context.Context, r *Record, kept func(place, path string)) error {
	if _, ok := r.Kept["/data"]; ok {
		return nil
	}
	err := d.does(ctx, "restore", func() error {
		for _, c := range d.m.containers {
			if c.running {
				d.m.wrong = append(d.m.wrong, c.name+" runs while its data is exchanged")
			}
		}
		if d.m.backRan {
			d.m.wrong = append(d.m.wrong, "what the old version wrote is put away")
		}
		if len(d.m.kept) > 0 && !d.m.copies {
			return nil // it was exchanged by a run that did not come to note it
		}
		d.m.kept = append(d.m.kept, d.m.data)
		d.m.data = d.m.captures[r.Capture]
		return nil
	})
	if err != nil && len(d.m.kept) == 0 {
		return fmt.Errorf("%w: %w", ErrUntouched, err)
	}
	if err != nil || d.m.copies {
		return err
	}
	d.m.op("kept", func() error { kept("/data", fmt.Sprintf("/data.before-%d", len(d.m.kept))); return nil })
	return nil
}

func (d fakeData) Close() error { return nil }
