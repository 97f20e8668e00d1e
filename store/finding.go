package store

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/weigh"
)

// FoundMember is a member that [Repository.FindMembers] found: the same path in the same
// volume of captures of one name and host.
type FoundMember struct {
	Name     string // of the captures
	Host     string // of the captures
	Volume   string
	Path     string          // as the first of the captures has it
	Versions []MemberVersion // one at least, by the first capture that has each
}

// MemberVersion is what a member was in some captures: of one type, with the same content byte
// for byte, or leading to the same place. Whatever else a header says may differ among them.
type MemberVersion struct {
	Member *Member // as the last of Captures has it
	// Size is the length of the content in bytes; of a hard link, that of the file it is a
	// link to.
	Size     int64
	Captures []*Capture // that have it, one at least, the oldest first
	// Harmed says which part of the content is not there, in one capture at least; nil where
	// nothing of that is known. Contents are not read, so that nil proves nothing.
	Harmed error
}

// Newest gives the newest of Captures that is not retired, or else the newest.
func (v *MemberVersion) Newest() *Capture {
	for _, c := range slices.Backward(v.Captures) {
		if c.Retired == nil {
			return c
		}
	}
	return v.Captures[len(v.Captures)-1]
}

// FindOptions say where members are looked for.
type FindOptions struct {
	Volume string // only in volumes of that name; "": in all
}

// Findings are what [Repository.FindMembers] found.
type Findings struct {
	Members []FoundMember // by the first capture that has each, in its order
	// Unread are the volumes that could not be looked into as a whole, since they are damaged:
	// of each there may be more members than were found.
	Unread []UnreadVolume
}

// UnreadVolume is a volume that could not be looked into as a whole.
type UnreadVolume struct {
	Capture *Capture
	Volume  *Volume
	Err     error // ErrDamaged
}

// FindMembers finds the members of captures whose clean path (see [CleanPath]) is wanted by match, as
// versions by content: what is the same in several captures is one version, whenever each was
// taken and whatever it became in between. A nil match wants all. It is asked for each path at least once, by one goroutine.
//
// Contents are compared by their chunks, none is read; nor is, of a member list, what the
// capture of the same name and host before it has alike. It keeps the members of one capture of each name and host
// in memory, some 500 bytes each.
//
// Damage does not end it: see [Findings]. It fails with [ErrForeign], and with [ErrMoved] where
// captures were moved or removed meanwhile: list them again.
func (r *Repository) FindMembers(ctx context.Context, captures []*Capture, match func(path string) bool, o FindOptions) (_ *Findings, err error) {
	ctx, g := guarded(ctx)
	defer g.finish(&err)
	if err := r.open(ctx); err != nil {
		return nil, err
	}
	for _, c := range captures {
		if err := r.ownsAll(c); err != nil {
			return nil, err
		}
	}
	ordered := slices.Clone(captures)
	slices.SortStableFunc(ordered, older)
	given := make(map[*ledger.Capture]*Capture, len(ordered))
	for _, c := range ordered {
		given[c.captured] = c
	}
	found, unread, err := r.scales.Find(ctx, slices.Compact(inner(ordered)), o.Volume, g.match("match", match))
	if err != nil {
		return nil, err
	}
	all := &Findings{}
	for _, f := range found {
		all.Members = append(all.Members, newFoundMember(f, given))
	}
	for _, u := range unread {
		if err := r.giver.OrMoved(ctx, u.Volume, u.Err); errors.Is(err, ErrMoved) {
			return nil, err
		}
		c := given[u.Volume.Of]
		v, err := c.Volume(u.Volume.Name)
		if err != nil {
			return nil, err
		}
		all.Unread = append(all.Unread, UnreadVolume{c, v, fmt.Errorf("capture %s, volume %q: %w", c.ID, v.Name, u.Err)})
	}
	return all, nil
}

func newFoundMember(f *weigh.Found, given map[*ledger.Capture]*Capture) FoundMember {
	m := FoundMember{Name: f.Name, Host: f.Host, Volume: f.Volume, Path: f.Path}
	for _, v := range f.Versions {
		version := MemberVersion{Member: v.Member, Size: v.Size, Harmed: v.Harmed}
		for _, c := range v.Captures {
			version.Captures = append(version.Captures, given[c])
		}
		m.Versions = append(m.Versions, version)
	}
	return m
}
