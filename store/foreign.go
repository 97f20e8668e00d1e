package store

import (
	"context"
	"errors"
	"fmt"
)

// ErrForeign is returned by whatever takes a Capture, a Volume or a Draft for one that
// no [Repository] of the same repository gave: one that was made by hand, was read from
// JSON, is nil, or is of another repository. Copies of what was given are as good.
var ErrForeign = errors.New("not given by this repository")

// owns makes sure that a volume is one that this repository gave.
func (r *Repository) owns(v *Volume) error {
	switch {
	case v == nil:
		return fmt.Errorf("no volume: %w", ErrForeign)
	case v.record == nil || v.of == nil || v.of.repo != r.vault.ID():
		return fmt.Errorf("volume %q: %w", v.Name, ErrForeign)
	}
	return nil
}

// ready fails for a repository that was closed, for a context that is done, and for volumes that it did not give.
func (r *Repository) ready(ctx context.Context, volumes ...*Volume) error {
	if err := r.open(ctx); err != nil {
		return err
	}
	for _, v := range volumes {
		if err := r.owns(v); err != nil {
			return err
		}
	}
	return nil
}

// ownsAll does the same for a capture and its volumes.
func (r *Repository) ownsAll(c *Capture) error {
	switch {
	case c == nil:
		return fmt.Errorf("no capture: %w", ErrForeign)
	case c.captured == nil || c.repo != r.vault.ID():
		return fmt.Errorf("capture %q: %w", c.ID, ErrForeign)
	}
	for i := range c.Volumes {
		if err := r.owns(&c.Volumes[i]); err != nil {
			return fmt.Errorf("capture %s: %w", c.ID, err)
		}
	}
	return nil
}

// ownsDraft does the same for a draft; there may be none.
func (r *Repository) ownsDraft(d *Draft) error {
	if d != nil && (d.file == nil || d.repo != r.vault.ID()) {
		return fmt.Errorf("the draft: %w", ErrForeign)
	}
	return nil
}
