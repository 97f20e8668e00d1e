package weigh

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"slices"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
)

// Found is a member that was found in captures of one name and host.
type Found struct {
	Name, Host, Volume, Path string
	Versions                 []*Version // in the order of the captures
}

// Version is what a member was in some captures.
type Version struct {
	Member   *tarstream.Member // as the last of the captures has it
	Size     int64             // of the content
	Captures []*ledger.Capture
	Harmed   error // a part of the content is not there; nil: nothing is known

	content [sha256.Size]byte
}

// Unread is a volume whose members could not all be read.
type Unread struct {
	Volume *ledger.Volume
	Err    error
}

// Find finds members in captures, which are in order, in volumes of that name, or in all; and
// volumes of which something can't be read. It fails for what is no damage.
func (r *Scales) Find(ctx context.Context, captures []*ledger.Capture, volume string, wanted func(path string) bool) ([]*Found, []Unread, error) {
	if len(captures) == 0 {
		return nil, nil, nil
	}
	index, _, err := r.stock.LoadIndex(ctx, nil, nil)
	if err != nil {
		return nil, nil, err
	}
	f := &finding{
		rolling: rolling{r: r, index: index, wanted: wanted},
		found:   make(map[foundKey]*Found), before: make(map[foundKey]*roll),
	}
	for _, c := range captures {
		for i := range c.Volumes {
			v := c.Volume(i)
			if volume != "" && v.Name != volume {
				continue
			}
			err := f.volume(ctx, c, v)
			switch {
			case err == nil:
			case vault.IsDamage(err):
				f.unread = append(f.unread, Unread{v, err})
			default:
				return nil, nil, err
			}
		}
	}
	return f.all, f.unread, nil
}

// foundKey tells members apart; without a path it is that of a volume.
type foundKey struct{ name, host, volume, path string }

type finding struct {
	rolling
	before map[foundKey]*roll // of a volume in the capture before
	found  map[foundKey]*Found
	all    []*Found
	unread []Unread
}

// volume looks into a volume. Where it is damaged, what is whole is found.
func (f *finding) volume(ctx context.Context, c *ledger.Capture, v *ledger.Volume) error {
	key := foundKey{name: c.Name, host: c.Host, volume: v.Name}
	roll, err := f.read(ctx, v, f.before[key])
	if err != nil && !vault.IsDamage(err) {
		return err
	}
	if err == nil {
		f.before[key] = roll
	}
	last, of, any := f.places(roll)
	if !any {
		return err
	}
	contents, broken := f.contents(ctx, v, roll, of)
	for n := range roll.entries {
		e := &roll.entries[n]
		if e.member == nil || !e.wanted || last[e.path] != n {
			continue
		}
		key.path = e.path
		f.add(key, c, e.member, &roll.entries[of[n]], contents[of[n]])
	}
	return cmp.Or(err, broken)
}

// places gives the last entry of each path; of those that are wanted, the entry that has their content, which of a hard
// link is another one; and whether a member is wanted.
func (f *finding) places(roll *roll) (last map[string]int, of map[int]int, any bool) {
	any = slices.ContainsFunc(roll.entries, func(e rolled) bool { return e.wanted })
	if !any {
		return nil, nil, false
	}
	var names weave.Names
	of = make(map[int]int)
	last = make(map[string]int, len(roll.entries))
	for n, e := range roll.entries {
		if e.member == nil {
			continue
		}
		last[e.path] = n
		target, ok := names.Note(n, e.path, e.member)
		if e.wanted {
			if of[n] = n; ok {
				of[n] = target
			}
		}
	}
	return last, of, true
}

// content is what a member holds, by a hash over its chunks.
type content struct {
	hash   [sha256.Size]byte
	harmed error
}

// contents gives the contents of the members that are wanted, and of those that they are hard
// links to.
func (f *finding) contents(ctx context.Context, v *ledger.Volume, roll *roll, of map[int]int) (map[int]content, error) {
	wanted := make(map[int]bool)
	for n, target := range of {
		wanted[n], wanted[target] = true, true
	}
	all := make(map[int]content, len(wanted))
	next, stop := weave.PullRepeats(ctx, f.r.slabs.Runs(ctx, weave.OrEmpty(v.Contents)))
	defer stop()
	for n, e := range roll.entries {
		c, err := f.content(e.chunks, next, wanted[n])
		if err != nil {
			for m := range wanted { // where they lie is not known
				if m >= n {
					all[m] = content{sha256.Sum256([]byte(v.Of.ID)), err}
				}
			}
			return all, err
		}
		if wanted[n] {
			all[n] = c
		}
	}
	return all, nil
}

// content goes through the chunks of one member.
func (f *finding) content(left uint64, next weave.PlaceSource, wanted bool) (c content, err error) {
	h := sha256.New()
	var last crypt.Identity // a chunk may be stored more than once
	var times uint64
	put := func() {
		if times > 0 {
			h.Write(binary.LittleEndian.AppendUint64(last[:], times))
		}
		times = 0
	}
	for left > 0 {
		at, n, err, ok := next(left)
		if err == nil && !ok {
			err = errors.Join(format.ErrDamaged, errors.New("contents end too early"))
		}
		if err != nil {
			return content{}, err
		}
		left -= n
		if !wanted {
			continue
		}
		ref, err := weave.FindChunk(f.index, at.Slab, at.Chunk)
		if err != nil { // it is told from others by its place
			put()
			c.harmed = cmp.Or(c.harmed, err)
			h.Write(binary.LittleEndian.AppendUint64(at.Slab[:], uint64(at.Chunk)))
			continue
		}
		id := f.index.ID(ref)
		if times > 0 && id != last {
			put()
		}
		last, times = id, times+n
	}
	put()
	h.Sum(c.hash[:0])
	return c, nil
}

// add notes that a capture has a member, with the content of an entry.
func (f *finding) add(key foundKey, c *ledger.Capture, m *tarstream.Member, of *rolled, content content) {
	found := f.found[key]
	if found == nil {
		found = &Found{Name: key.name, Host: key.host, Volume: key.volume, Path: m.Path}
		f.found[key] = found
		f.all = append(f.all, found)
	}
	kind := sha256.New()
	kind.Write([]byte(of.member.Type + "\x00" + tarstream.Type(of.member.Link) + "\x00"))
	kind.Write(content.hash[:])
	var hash [sha256.Size]byte
	kind.Sum(hash[:0])
	i := slices.IndexFunc(found.Versions, func(v *Version) bool { return v.content == hash })
	if i < 0 {
		i = len(found.Versions)
		found.Versions = append(found.Versions, &Version{content: hash})
	}
	v := found.Versions[i]
	v.Member, v.Size, v.Harmed = m, of.member.Size, cmp.Or(v.Harmed, content.harmed)
	v.Captures = append(v.Captures, c)
}
