package ledger

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"sync"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/remember"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// Marked gives the captures that are neither there nor known to be removed, though a mark
// that can be read is about them: a hold, a retirement, or the end of one. Each comes
// with the name of such a mark. So the newest capture, which no other one saw, is missed
// as well, if anybody held it. late are those that are there by their names, and were not
// listed.
func (r *Ledger) Marked(ctx context.Context, s *Standing, files []storage.Info, gone Departures) (missing map[string]string, late []string, err error) {
	there := make(map[string]bool)
	for _, id := range CaptureIDs(files) {
		there[id] = true
	}
	missing = make(map[string]string)
	about := maps.Clone(s.All)
	readable := make(map[string]bool) // marks about several captures, which were read
	for i := range s.Several {
		m := &s.Several[i]
		readable[m.Info.Name] = true
		for _, id := range m.Record.Captures {
			about[id] = append(slices.Clip(about[id]), m.Info.Name)
		}
	}
	for id, marks := range about {
		if there[id] || gone.Names(id) {
			continue
		}
		if there, err := r.isThere(ctx, id); err != nil {
			return nil, nil, err
		} else if there {
			late = append(late, id)
			continue
		}
		for _, name := range marks {
			read := readable[name]
			if !read {
				if read, err = r.canRead(ctx, name); err != nil {
					return nil, nil, err
				}
			}
			if read {
				missing[id] = name
				break
			}
		}
	}
	return missing, late, nil
}

// isThere tells whether a capture is there that was not listed: it may have come since, or a listing may be late.
func (r *Ledger) isThere(ctx context.Context, id string) (bool, error) {
	info, err := r.storage.Stat(ctx, names.Capture(id, 0))
	if errors.Is(err, storage.ErrNotFound) {
		return false, nil
	}
	return err == nil && !IsTorn(info), err
}

// canRead tells whether a mark is there and is what was written.
func (r *Ledger) canRead(ctx context.Context, name string) (bool, error) {
	info, err := r.storage.Stat(ctx, name)
	if err == nil {
		kind := format.Retired
		if vault.FolderOf(name) == names.Holds {
			kind = format.Hold
		}
		_, err = vault.ReadMark[format.MarkRecord](ctx, r.vault, kind, info)
	}
	if vault.IsDamage(err) || errors.Is(err, storage.ErrNotFound) {
		return false, nil
	}
	return err == nil, err
}

// Vanished gives the captures that others saw, or that this machine knows, and that are
// neither there nor known to be removed, each with what tells of it. What can't be read is
// left out. late are those that are there by their names, and were not listed: what this machine knows may be younger than the
// listing.
func (r *Ledger) Vanished(ctx context.Context, captures []*Capture, files []storage.Info, gone Departures) (missing map[string]string, late []string, err error) {
	missing, err = r.unlisted(ctx, captures, files, gone)
	if err != nil {
		return nil, nil, err
	}
	for _, id := range slices.Sorted(maps.Keys(missing)) {
		there, err := r.isThere(ctx, id)
		if err != nil {
			return nil, nil, err
		}
		if there {
			late = append(late, id)
			delete(missing, id)
		}
	}
	return missing, late, nil
}

// unlisted is Vanished by what was listed alone.
func (r *Ledger) unlisted(ctx context.Context, captures []*Capture, files []storage.Info, gone Departures) (map[string]string, error) {
	there := make(map[string]bool)
	for _, info := range files {
		if id, _, err := names.ParseCapture(info.Name); err == nil && !IsTorn(info) {
			there[id] = true
		}
	}
	missing := r.unlinked(captures, there, gone)
	err := r.readAllSeen(ctx, captures)
	r.seen.Lock()
	defer r.seen.Unlock()
	for id, by := range r.seen.by {
		if !there[id] && !gone.Names(id) && missing[id] == "" {
			missing[id] = "capture " + by + " saw it"
		}
	}
	return missing, err
}

// seen is who saw which captures, by the lists that were read: each is read once, as it does not
// change.
type seen struct {
	sync.Mutex
	done map[crypt.Digest]bool
	by   map[string]string // by the id of a capture, that of one that saw it
}

// readAllSeen reads the lists of captures that were seen which were not read before.
func (r *Ledger) readAllSeen(ctx context.Context, captures []*Capture) error {
	r.seen.Lock()
	fresh := slices.DeleteFunc(withOwnSeen(captures), func(c *Capture) bool { return r.seen.done[c.Seen.Digest] })
	r.seen.Unlock()
	return vault.InOrder(ctx, fresh, vault.Askers,
		func(ctx context.Context, c *Capture) ([]string, error) { return r.readSeen(ctx, c.Seen) },
		func(c *Capture, ids []string, err error) error {
			if err != nil && !vault.IsDamage(err) {
				return err
			}
			r.seen.Lock()
			defer r.seen.Unlock()
			r.seen.done[c.Seen.Digest] = err == nil
			for _, id := range ids {
				if r.seen.by[id] == "" {
					r.seen.by[id] = c.ID
				}
			}
			return nil
		})
}

// withOwnSeen gives the captures that have a list of those they saw, the first of
// those with equal lists.
func withOwnSeen(captures []*Capture) (own []*Capture) {
	done := make(map[crypt.Digest]bool)
	for _, c := range captures {
		if seen := c.Seen; seen != nil && !done[seen.Digest] {
			done[seen.Digest] = true
			own = append(own, c)
		}
	}
	return own
}

// maxSeen bounds the list of captures that one saw, in bytes.
const maxSeen = 64 << 20

// readSeen reads the list of captures that one saw.
func (r *Ledger) readSeen(ctx context.Context, recipe *format.Recipe) (ids []string, err error) {
	if recipe.Bytes > maxSeen {
		return nil, fmt.Errorf("%w: a list of captures of %d bytes", format.ErrDamaged, recipe.Bytes)
	}
	stream := r.slabs.Stream(ctx, recipe)
	defer stream.Close()
	lines := bufio.NewReader(fetch.Bytes(stream.Next))
	for {
		line, err := lines.ReadString('\n')
		if err == io.EOF && line == "" {
			return ids, nil
		}
		if err == io.EOF || err == nil && !names.IsID(line[:len(line)-1]) {
			return ids, fmt.Errorf("%w: a list of captures that names %q", format.ErrDamaged, line)
		}
		if err != nil {
			return ids, err
		}
		ids = append(ids, line[:len(line)-1])
	}
}

// unlinked gives the captures that a later one of the same machine names as the one
// before, or that this machine knows, and that are neither there nor known to be removed
// as they were. Each is given with what tells of it.
func (r *Ledger) unlinked(captures []*Capture, there map[string]bool, gone Departures) map[string]string {
	missing := make(map[string]string)
	for _, known := range r.watch.Memory.Captures() {
		if known.Kind != remember.Gone && !there[known.ID] && !gone.Covers(known.ID, known.Hash) {
			missing[known.ID] = "this machine saw it"
		}
	}
	for _, c := range captures {
		p := c.Previous
		if p != nil && names.IsID(p.ID) && !there[p.ID] && !gone.Covers(p.ID, p.Hash) {
			missing[p.ID] = "capture " + c.ID + " was made after it on the same machine"
		}
	}
	return missing
}
