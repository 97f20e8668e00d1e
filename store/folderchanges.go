package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"slices"
	"strings"

	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
	"github.com/kistarchive/kist/store/volume"
)

// FolderChanges says what [Repository.RestoreFolder] would change.
type FolderChanges struct {
	// Changes are by volume in the order that was given, then by path; last comes what
	// would go and belongs to none of the volumes.
	Changes []FolderChange
	// Same is how many entries would stay as they are, as far as was looked.
	Same int
}

// FolderChange is what would become of one entry.
type FolderChange struct {
	Kind   ChangeKind
	Volume string // "" where it belongs to none
	Path   string // in the volume's folder, in the form of CleanPath; it may hold any byte
	// Will is the member that would be there, of a hard link the file that it is a name of; nil
	// where the entry would be removed.
	Will *Member
	// Is is what is there now; nil where the entry would be added.
	Is *volume.State
	// Differs lists in what Will and Is differ where the entry would be changed.
	Differs []Aspect
}

// ChangeKind is what would be done to an entry. Its text is fit for scripts.
type ChangeKind string

// All that may be done to an entry.
const (
	EntryAdded   ChangeKind = "added"
	EntryChanged ChangeKind = "changed"
	EntryRemoved ChangeKind = "removed"
)

// Aspect is something in which a member and a file may differ.
type Aspect string

// The aspects, in the order in which FolderChange.Differs has them. Where the kind differs,
// nothing else is compared. A folder's size and time are not: they follow from what is put into it.
const (
	AspectKind     Aspect = "kind"
	AspectSize     Aspect = "size"
	AspectModified Aspect = "modified"
	AspectMode     Aspect = "mode"
	AspectOwner    Aspect = "owner"
)

// FolderChanges tells what [Repository.RestoreFolder] would change with the same arguments, by the member
// lists and what the file system says of the files that are there: no contents are read on either side, so that a
// file of the same length, time, mode and owner counts as the same. Nothing is written. Whether Replace is
// given does not matter.
//
// It takes memory for all members and all entries of the folder, some 500 bytes each beside their paths. It
// fails with [ErrDamaged] and [ErrMoved] as [Repository.Members] does, and with an error of the file system where dir, if it is
// there, can't be looked through.
func (r *Repository) FolderChanges(ctx context.Context, volumes []*Volume, dir string, o FolderOptions) (_ *FolderChanges, err error) {
	ctx, g := guarded(ctx)
	defer g.finish(&err)
	if err := r.ready(ctx, volumes...); err != nil {
		return nil, err
	}
	live, err := lookThrough(ctx, dir)
	if err != nil {
		return nil, err
	}
	match := g.match("FolderOptions.Match", o.Match)
	out := &FolderChanges{}
	for _, v := range volumes {
		below := ""
		if len(volumes) > 1 {
			below = v.Name
		}
		if err := r.changesOf(ctx, v, below, live, match, out); err != nil {
			return nil, fmt.Errorf("volume %s: %w", vault.OneLine(v.Name), err)
		}
	}
	if o.Match == nil {
		out.sorted(remove(nil, "", live))
	}
	return out, nil
}

// remove adds that entries would be removed; the folder itself stays.
func remove(changes []FolderChange, of string, live map[string]*volume.State) []FolderChange {
	for name, state := range live {
		if name != "." {
			changes = append(changes, FolderChange{Kind: EntryRemoved, Volume: of, Path: name, Is: state})
		}
	}
	return changes
}

func (c *FolderChanges) sorted(changes []FolderChange) {
	slices.SortFunc(changes, func(a, b FolderChange) int { return strings.Compare(a.Path, b.Path) })
	c.Changes = append(c.Changes, changes...)
}

// changesOf compares a volume's members with what is there, and takes that out of live.
func (r *Repository) changesOf(ctx context.Context, v *Volume, below string, live map[string]*volume.State, match func(string) bool, out *FolderChanges) error {
	members, files, err := r.lastMembers(ctx, v)
	if err != nil {
		return err
	}
	there := takeBelow(live, below)
	var changes []FolderChange
	for name, m := range members {
		state := there[name]
		delete(there, name)
		stayAbove(members, there, name)
		if match != nil && !match(CleanPath(m.Path)) {
			continue
		}
		c := FolderChange{Kind: EntryAdded, Volume: v.Name, Path: name, Will: files[name], Is: state}
		if state != nil {
			if c.Differs = differing(c.Will, state); c.Differs == nil {
				out.Same++
				continue
			}
			c.Kind = EntryChanged
		}
		changes = append(changes, c)
	}
	if match == nil {
		changes = remove(changes, v.Name, there)
	}
	out.sorted(changes)
	return nil
}

// stayAbove takes the folders above a member out of those that would go: they are made for
// it where no member describes them. One that is described is compared when its turn comes.
func stayAbove(members map[string]*Member, there map[string]*volume.State, name string) {
	for above := path.Dir(name); above != "." && above != "/"; above = path.Dir(above) {
		if s := there[above]; s != nil && s.Kind.IsDir() && members[above] == nil {
			delete(there, above)
		}
	}
}

// takeBelow moves the entries below a folder, and the folder itself as ".", out of a map.
func takeBelow(live map[string]*volume.State, below string) map[string]*volume.State {
	taken := make(map[string]*volume.State)
	for name, state := range live {
		within := name
		if name == below {
			within = "."
		} else if below != "" {
			var ok bool
			if within, ok = strings.CutPrefix(name, below+"/"); !ok {
				continue
			}
		}
		taken[within] = state
		delete(live, name)
	}
	return taken
}

// lastMembers gives a volume's members by their clean paths, of which the last of a path counts; and what
// they are, which of a hard link is the file that it is a name of.
func (r *Repository) lastMembers(ctx context.Context, v *Volume) (members, files map[string]*Member, err error) {
	members, files = make(map[string]*Member), make(map[string]*Member)
	var names weave.Names
	var all []*Member
	for m, err := range r.Members(ctx, v) {
		if err != nil {
			return nil, nil, err
		}
		name := CleanPath(m.Path)
		if !v.Tar {
			name = path.Clean(v.Name)
		}
		all = append(all, m)
		members[name], files[name] = m, m
		if of, ok := names.Note(len(all)-1, name, m); ok {
			files[name] = all[of]
		}
	}
	return members, files, nil
}

// differing says in what a member differs from the live file.
func differing(m *Member, is *volume.State) (in []Aspect) {
	if m.Mode.Type() != is.Kind {
		return []Aspect{AspectKind}
	}
	for _, c := range []struct {
		aspect  Aspect
		differs bool
	}{
		{AspectSize, is.Kind.IsRegular() && m.Size != is.Size},
		{AspectModified, !is.Kind.IsDir() && m.Modified.UnixNano() != is.Modified},
		{AspectMode, weave.UnixMode(m.Mode) != is.Perm},
		{AspectOwner, m.UID != is.UID || m.GID != is.GID},
	} {
		if c.differs {
			in = append(in, c.aspect)
		}
	}
	return in
}

// lookThrough gives the states of all that is in a folder, by clean paths, without
// reading any file; of an empty folder or one that is missing, nothing.
func lookThrough(ctx context.Context, dir string) (map[string]*volume.State, error) {
	sink := looking{}
	f, err := volume.OpenFolder(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return sink, nil
	}
	if err != nil {
		return nil, err
	}
	if err := f.Close(); err != nil {
		return nil, err
	}
	_, err = volume.Walk(ctx, dir, sink, volume.ReadOptions{CrossMounts: true})
	return sink, err
}

// looking is a volume.Sink that says of all members that it has them.
type looking map[string]*volume.State

// Find implements volume.Sink.
func (l looking) Find(at string, state *volume.State) (any, error) {
	is := *state
	l[CleanPath(at)] = &is
	return at, nil
}

// TakeOver implements volume.Sink.
func (looking) TakeOver(any) error { return nil }

// Put implements volume.Sink, for what is not asked for first.
func (looking) Put(_ string, _ *volume.State, _ []byte, content io.Reader, _ int64) error {
	_, err := io.Copy(io.Discard, content)
	return err
}

// Drop implements volume.Sink.
func (looking) Drop() error { return nil }
