package store

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"time"

	"github.com/kistarchive/kist/store/volume"
)

// ErrVolumeName is returned by [Repository.RestoreFolder] and [Repository.RestoreInto] for a volume whose name, which
// comes from the repository, can't be that of the folder or file that it would get.
var ErrVolumeName = errors.New("its name can't be that of a folder or a file")

// [FolderOptions] change how [Repository.RestoreFolder] and [Repository.RestoreInto] work. The zero value restores
// everything but devices into a folder that is missing or empty.
type FolderOptions struct {
	// Match, if set, chooses members by their paths, in the form of CleanPath: only those are
	// restored, as by RestoreMembers, whose rules for match hold, and the folders above them as plain ones.
	Match func(path string) bool
	// Replace allows a folder that holds something. Without Match all of it is replaced, and with
	// Match each member takes the place of what has its name.
	Replace bool
	// DiscardPrevious removes what was replaced once the new is in its place; see
	// volume.ReplaceOptions, also for where that is refused. By default it is kept under a dated name.
	DiscardPrevious bool
	// Devices allows character and block devices: see volume.ExtractOptions.
	Devices bool
	// Losses, if set, are what FindLosses found of some of the volumes: what is whole of those is
	// restored, and no part of anything else. A volume that is Unfinished is restored only with them.
	Losses []*Losses
	// Beside leaves what dir holds alone: what is restored comes beside it (inside, where dir is a mount point)
	// under a dated name, NAME.rescued-20260314t020305z; see volume.BuildBeside.
	Beside bool
	// Sync has RestoreInto return only after everything has reached the disk. RestoreFolder sees to
	// that in any case.
	Sync bool
	// Now gives the time for the dated names of what is kept; nil means time.Now.
	Now func() time.Time
	// Aside, if set, is told what RestoreFolder may set aside or leave: see volume.ReplaceOptions.
	Aside func(volume.Identity) error
	// Progress, if set, is called now and then, by one goroutine at a time, with the sum of all
	// volumes so far. Its Total is 0 with Match.
	Progress func(Progress)
}

// FolderRestored says what [Repository.RestoreFolder] did.
type FolderRestored struct {
	// Members is how many were restored, and Bytes how long their contents are.
	Members int
	Bytes   int64
	// NotRestored lists what could not be, such as owners when not root: that is no error.
	NotRestored []volume.Note

	// How is the way in which a whole tree came into its place; 0 where members were placed one by one.
	How volume.Way
	// Previous is where the tree is now that was replaced as a whole; "" where there was none or
	// it was discarded.
	Previous string

	// Beside is where the tree is that was built with FolderOptions.Beside.
	Beside string

	// Entries is how many entries were placed one by one; a folder that came as a whole counts once.
	Entries int
	// Kept lists, as paths in the folder, where the entries are now that those replaced.
	Kept []string
}

// RestoreFolder restores volumes into the folder dir: one into the folder itself, several
// into folders of their names in it. A volume that is no tar stream becomes a file of its name. A
// folder above dir must be there, dir itself need not.
//
// Nothing is in its place before all of it is complete, verified and on the disk. It is built
// beside dir (inside, where that is a mount point) and takes the place of what dir holds all or nothing,
// by [volume.ReplaceFolder]. With Match, in a folder that holds something, members are built in a part folder inside and then
// take their places one after the other, by [volume.Place]. Both go by open folders, so that other
// users who may write in dir or above it get at nothing: their comments say what is guarded, and what a
// kill leaves.
//
// It fails with [volume.ErrNotEmpty] where dir holds something and Replace is not given;
// with [ErrBadOptions] for no folder, no volumes, or two of one name, or for Match with a volume that is no tar stream; with [ErrNotFound] where
// Match accepts no member of any volume; with [ErrVolumeName]; with [ErrForeign] for Losses that FindLosses did not give; with [ErrUnfinished] for a volume that is Unfinished, without its [Losses]; with what Restore, [Repository.RestoreMembers],
// volume.ReplaceFolder, volume.Place and [volume.ExtractInto] fail with. After an error dir holds what it did,
// unless [FolderRestored] is given with the error: then the new tree is in its place but what was there could not be
// removed ([volume.ErrNotDiscarded]), or some of the members are in their places, and it says what was done. With [volume.ErrTorn] see there.
//
// Calls for different folders may run at the same time, calls for one folder must not.
func (r *Repository) RestoreFolder(ctx context.Context, volumes []*Volume, dir string, o FolderOptions) (_ *FolderRestored, err error) {
	ctx, g := guarded(ctx)
	defer g.finish(&err)
	if err := r.ready(ctx, volumes...); err != nil {
		return nil, err
	}
	if err := r.ownsLosses(o.Losses...); err != nil {
		return nil, err
	}
	if len(volumes) == 0 {
		return nil, fmt.Errorf("%w: no volumes to restore", ErrBadOptions)
	}
	if dir == "" {
		return nil, fmt.Errorf("%w: no folder to restore into", ErrBadOptions)
	}
	names := make(map[string]bool)
	for _, v := range volumes {
		if names[v.Name] {
			return nil, fmt.Errorf("%w: two volumes named %q", ErrBadOptions, v.Name)
		}
		names[v.Name] = true
	}
	o = g.folder(o)
	if o.Beside {
		return r.besideFolder(ctx, volumes, dir, o)
	}
	full, err := holdsSomething(dir)
	switch {
	case err != nil:
		return nil, err
	case full && !o.Replace:
		return nil, fmt.Errorf("restoring into %s: %w", dir, volume.ErrNotEmpty)
	case full && o.Match != nil:
		return r.placeMembers(ctx, volumes, dir, o)
	}
	return r.replaceFolder(ctx, volumes, dir, o)
}

// holdsSomething tells whether there is something in a folder, which may be missing.
func holdsSomething(dir string) (bool, error) {
	f, err := volume.OpenFolder(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	defer f.Close()
	empty, err := f.Empty()
	return !empty, err
}

// replaceFolder puts volumes in the place of all that a folder holds.
func (r *Repository) replaceFolder(ctx context.Context, volumes []*Volume, dir string, o FolderOptions) (*FolderRestored, error) {
	var report *volume.ExtractReport
	o.Sync = false // ReplaceFolder flushes
	done, err := volume.ReplaceFolder(ctx, dir, func(ctx context.Context, part *volume.Folder) (err error) {
		report, err = r.RestoreInto(ctx, volumes, part, o)
		return err
	}, volume.ReplaceOptions{DiscardPrevious: o.DiscardPrevious, Now: o.Now, Aside: o.Aside})
	if done == nil {
		return nil, err
	}
	out := restoredBy(report)
	out.How, out.Previous = done.How, done.Previous
	out.NotRestored = append(out.NotRestored, done.NotRestored...)
	return out, err
}

// besideFolder restores volumes beside a folder.
func (r *Repository) besideFolder(ctx context.Context, volumes []*Volume, dir string, o FolderOptions) (*FolderRestored, error) {
	var report *volume.ExtractReport
	o.Sync = false // BuildBeside flushes
	path, err := volume.BuildBeside(ctx, dir, func(ctx context.Context, part *volume.Folder) (err error) {
		report, err = r.RestoreInto(ctx, volumes, part, o)
		return err
	}, volume.ReplaceOptions{Now: o.Now, Aside: o.Aside})
	if err != nil {
		return nil, err
	}
	out := restoredBy(report)
	out.Beside = path
	return out, nil
}

// placeMembers restores some members into a folder that is in use: into a part
// folder in it first, and when all are there, each into its place.
func (r *Repository) placeMembers(ctx context.Context, volumes []*Volume, dir string, o FolderOptions) (*FolderRestored, error) {
	var report *volume.ExtractReport
	o.Sync = true // it is for build to flush
	done, err := volume.Place(ctx, dir, func(ctx context.Context, part *volume.Folder) (err error) {
		report, err = r.RestoreInto(ctx, volumes, part, o)
		return err
	}, volume.PlaceOptions{DiscardPrevious: o.DiscardPrevious, Now: o.Now, Aside: o.Aside})
	if done == nil {
		return nil, err
	}
	out := restoredBy(report)
	out.Entries, out.Kept = done.Entries, done.Kept
	return out, err
}

func restoredBy(report *volume.ExtractReport) *FolderRestored {
	return &FolderRestored{Members: report.Members, Bytes: report.Bytes, NotRestored: report.NotRestored}
}
