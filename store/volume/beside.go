package volume

import (
	"cmp"
	"context"
	"fmt"
	"time"
)

// BuildBeside builds a tree beside target and leaves alone what target holds, which may be missing. It
// gives build an empty folder, as ReplaceFolder does, and when that has succeeded and all is on the disk, gives the tree a dated
// name: NAME.rescued-20260314t020305z beside target, or .rescued-20260314t020305z inside a mount point. Of the options
// Now and Aside count.
//
// It gives the path of the tree. What ReplaceFolder says of others who own folders on the way, of errors and of a
// kill holds here as well.
func BuildBeside(ctx context.Context, target string, build func(ctx context.Context, f *Folder) error, o ReplaceOptions) (string, error) {
	s, _, err := orderedSite(target, disk{})
	if err != nil {
		return "", err
	}
	defer s.close()
	now := time.Now
	if o.Now != nil {
		now = o.Now
	}
	r := &replacement{mover: disk{}, site: s, stamp: s.freeStamp(now()), told: o.Aside}
	defer r.close()
	if err := r.besideTarget(ctx, build); err != nil {
		return "", r.back(fmt.Errorf("building beside %s: %w", s.path, err))
	}
	return r.name("rescued-", r.stamp), nil
}

// besideTarget builds the tree and gives it its name.
func (r *replacement) besideTarget(ctx context.Context, build func(ctx context.Context, f *Folder) error) error {
	if err := r.build(ctx, build, false); err != nil {
		return err
	}
	if err := r.relabel(r.entry("rescued-", r.stamp)); err != nil {
		return err
	}
	if err := r.dressTop(); err != nil {
		return err
	}
	if err := r.flush(r.home); err != nil {
		return err
	}
	id, err := identityAt(r.staged, ".")
	return cmp.Or(err, r.isAt(r.made, r.id), r.aside.only(id))
}
