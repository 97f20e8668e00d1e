package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/volume"
)

// place is where a volume is restored to.
type place struct {
	volume *store.Volume
	dir    string
	below  string // the name of the volume's folder, where there are several
}

// placesBelow gives each of several volumes a folder of its name.
func placesBelow(volumes []*store.Volume, dir string) (places []place) {
	for _, v := range volumes {
		p := place{volume: v, dir: dir}
		if len(volumes) > 1 {
			p.dir, p.below = filepath.Join(dir, v.Name), v.Name
		}
		places = append(places, p)
	}
	return places
}

// change is what a restore would do to one entry.
type change struct {
	Change string   `json:"change"` // added, changed or removed
	Volume string   `json:"volume"`
	Path   string   `json:"path"`
	Raw    []byte   `json:"path_bytes,omitempty"` // where the path is not UTF-8
	Why    []string `json:"why,omitempty"`
}

// showChanges prints what a restore would change, from member lists and what
// the file system says of the live files, whose contents are not read.
func (s *restoring) showChanges(ctx context.Context, places []place, where string) error {
	out := bufio.NewWriter(s.app.stdout)
	defer out.Flush()
	array := &jsonArray{w: out}
	counts := make(map[string]int)
	for _, p := range places {
		same, changes, err := s.changes(ctx, p)
		if err != nil {
			return fmt.Errorf("volume %s: %w", p.volume.Name, err)
		}
		counts["same"] += same
		for _, c := range changes {
			counts[c.Change]++
			if err := s.app.printChange(out, array, c, p.below); err != nil {
				return err
			}
		}
	}
	if s.app.shared.json {
		if err := array.end(); err != nil {
			return err
		}
	}
	s.app.say("Into %s: %d would be added, %d changed, %d removed; %d are the same. Nothing was written.", printable(filepath.Clean(where)),
		counts["added"], counts["changed"], counts["removed"], counts["same"])
	return nil
}

func (a *app) printChange(out io.Writer, array *jsonArray, c change, below string) error {
	if a.shared.json {
		return array.add(c)
	}
	line := fmt.Sprintf("%-7s  %s", c.Change, printable(path.Join(below, c.Path)))
	if len(c.Why) > 0 {
		line += "  (" + strings.Join(c.Why, ", ") + ")"
	}
	_, err := fmt.Fprintln(out, line)
	return err
}

// changes compares a volume's members with the folder that they would be
// restored into.
func (s *restoring) changes(ctx context.Context, p place) (same int, changes []change, err error) {
	live, err := liveTree(ctx, p.dir)
	if err != nil {
		return 0, nil, err
	}
	members, err := s.lastMembers(ctx, p.volume)
	if err != nil {
		return 0, nil, err
	}
	for name, m := range members {
		if !s.wanted.match(m.Path) {
			continue
		}
		state, ok := live[name]
		if !ok {
			changes = append(changes, change{"added", p.volume.Name, name, rawName(name), nil})
		} else if why := differences(resolveLink(members, m), state); len(why) > 0 {
			changes = append(changes, change{"changed", p.volume.Name, name, rawName(name), why})
		} else {
			same++
		}
	}
	for name := range live {
		if _, ok := members[name]; !ok && !s.only && name != "." {
			changes = append(changes, change{"removed", p.volume.Name, name, rawName(name), nil})
		}
	}
	slices.SortFunc(changes, func(a, b change) int { return strings.Compare(a.Path, b.Path) })
	return same, changes, nil
}

// lastMembers gives a volume's members by their clean paths; the last of a path
// counts.
func (s *restoring) lastMembers(ctx context.Context, v *store.Volume) (map[string]*store.Member, error) {
	members := make(map[string]*store.Member)
	for m, err := range s.r.Members(ctx, v) {
		if err != nil {
			return nil, err
		}
		name := store.CleanPath(m.Path)
		if !v.Tar {
			name = v.Name
		}
		members[name] = m
	}
	return members, nil
}

// resolveLink gives the file that a hard link is a name of.
func resolveLink(members map[string]*store.Member, m *store.Member) *store.Member {
	if target, ok := members[store.CleanPath(m.Link)]; ok && m.Type == tarstream.Hardlink {
		return target
	}
	return m
}

// differences says in what a member differs from the live file. A folder's time
// follows from what is put into it.
func differences(m *store.Member, is *volume.State) (why []string) {
	if m.Mode.Type() != is.Kind {
		return []string{"another kind"}
	}
	if is.Kind.IsRegular() && m.Size != is.Size {
		why = append(why, fmt.Sprintf("size %s, now %s", size(uint64(m.Size)), size(uint64(is.Size))))
	}
	if !is.Kind.IsDir() && m.Modified.UnixNano() != is.Modified {
		why = append(why, "modified "+localTime(m.Modified))
	}
	if mode := modeBits(m.Mode); int64(mode) != is.Perm {
		why = append(why, fmt.Sprintf("mode %04o, now %04o", mode, is.Perm))
	}
	if m.UID != is.UID || m.GID != is.GID {
		why = append(why, fmt.Sprintf("owner %d:%d, now %d:%d", m.UID, m.GID, is.UID, is.GID))
	}
	return why
}

// liveTree gives the states of all that is in a folder, by clean paths, without
// reading any file.
func liveTree(ctx context.Context, dir string) (map[string]*volume.State, error) {
	sink := looking{}
	if full, err := holdsSomething(dir); err != nil || !full {
		return sink, nil // the folder may yet have to be made
	}
	_, err := volume.Walk(ctx, dir, sink, volume.ReadOptions{CrossMounts: true})
	return sink, err
}

// looking is a volume.Sink that says of all members that it has them.
type looking map[string]*volume.State

// Find implements volume.Sink.
func (l looking) Find(path string, state *volume.State) (any, error) {
	is := *state
	l[store.CleanPath(path)] = &is
	return path, nil
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
