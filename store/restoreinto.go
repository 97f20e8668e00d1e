package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/volume"
)

// RestoreInto is what [Repository.RestoreFolder] builds with: it restores volumes into an open folder that
// is empty, such as [volume.ReplaceFolder] gives to its build. By calls of that within each
// other several folders are replaced, none before the trees for all are complete.
//
// Of [FolderOptions] it heeds Match, Devices, Sync, Losses and Progress. It fails as RestoreFolder does, without
// touching what is outside the folder; what it wrote until then is for the caller to remove. The report says how far it came.
func (r *Repository) RestoreInto(ctx context.Context, volumes []*Volume, f *volume.Folder, o FolderOptions) (_ *volume.ExtractReport, err error) {
	ctx, g := guarded(ctx)
	defer g.finish(&err)
	if err := r.ready(ctx, volumes...); err != nil {
		return &volume.ExtractReport{}, err
	}
	if err := r.ownsLosses(o.Losses...); err != nil {
		return &volume.ExtractReport{}, err
	}
	b := &folderBuild{r: r, o: g.folder(o)}
	for _, v := range volumes {
		b.total += int64(v.Bytes)
	}
	if len(volumes) == 1 {
		var report *volume.ExtractReport
		report, err = b.volume(ctx, volumes[0], f)
		b.add(report)
	} else {
		err = b.several(ctx, volumes, f)
	}
	if err == nil && b.sum.Members == 0 && o.Losses != nil {
		err = ErrNothingWhole
	}
	if err == nil {
		err = ended(ctx) // or what was built comes into its place
	}
	return &b.sum, err
}

// folderBuild is one run of RestoreInto.
type folderBuild struct {
	r     *Repository
	o     FolderOptions
	sum   volume.ExtractReport
	total int64 // bytes of all volumes' streams

	before, now Progress // of earlier volumes, and with the one that is being restored
}

func (b *folderBuild) add(report *volume.ExtractReport) {
	if report != nil {
		b.sum.Members += report.Members
		b.sum.Bytes += report.Bytes
		b.sum.NotRestored = append(b.sum.NotRestored, report.NotRestored...)
	}
}

// several restores each volume into a new folder of its name.
func (b *folderBuild) several(ctx context.Context, volumes []*Volume, f *volume.Folder) error {
	found := false
	for _, v := range volumes {
		if !isFileName(v.Name) {
			return fmt.Errorf("volume %q: %w: restore it alone", v.Name, ErrVolumeName)
		}
		if b.o.Match != nil && !b.anyIn(ctx, v) {
			continue
		}
		found = true
		report, err := b.below(ctx, v, f)
		b.add(report)
		if err != nil {
			return fmt.Errorf("volume %s: %w", vault.OneLine(v.Name), err)
		}
	}
	if !found {
		return fmt.Errorf("a member that matches: %w", ErrNotFound)
	}
	return nil
}

// anyIn tells whether a member of the volume is wanted.
func (b *folderBuild) anyIn(ctx context.Context, v *Volume) bool {
	for m, err := range b.r.Members(ctx, v) {
		if err != nil || b.o.Match(CleanPath(m.Path)) {
			return true // an error shows when members are written
		}
	}
	return false
}

// isFileName tells whether a volume's name, which comes from the repository, is
// a plain name of a file.
func isFileName(name string) bool {
	return filepath.IsLocal(name) && name != "." && !strings.ContainsAny(name, `/\`)
}

func (b *folderBuild) below(ctx context.Context, v *Volume, f *volume.Folder) (*volume.ExtractReport, error) {
	below, err := f.Mkdir(v.Name)
	if err != nil {
		return nil, err
	}
	defer below.Close()
	return b.volume(ctx, v, below)
}

// volume restores one volume into a folder.
func (b *folderBuild) volume(ctx context.Context, v *Volume, f *volume.Folder) (*volume.ExtractReport, error) {
	switch l := lossesOf(b.o.Losses, v); {
	case !v.Tar && l != nil && !l.None():
		return &volume.ExtractReport{}, nil // its only member is lost
	case !v.Tar:
		return b.plain(ctx, v, f)
	case v.Unfinished != "" && l == nil:
		return nil, fmt.Errorf("volume %s was captured though its stream was not complete (%s): %w", vault.OneLine(v.Name), vault.OneLine(v.Unfinished), ErrUnfinished)
	}
	r, w := volume.Pipe()
	written := make(chan error, 1)
	go func() {
		err := b.write(ctx, v, w)
		w.CloseWithError(err)
		written <- err
	}()
	report, err := volume.ExtractInto(ctx, r, f, volume.ExtractOptions{Devices: b.o.Devices, Sync: b.o.Sync})
	r.CloseWithError(err)
	if failed := <-written; err == nil {
		err = failed
	}
	return report, err
}

// plain restores what is no tar stream as one file.
func (b *folderBuild) plain(ctx context.Context, v *Volume, dir *volume.Folder) (*volume.ExtractReport, error) {
	if !isFileName(v.Name) {
		return nil, fmt.Errorf("volume %q is no tar stream, and %w: restore it as a stream", v.Name, ErrVolumeName)
	}
	f, err := dir.Create(v.Name)
	if err != nil {
		return nil, err
	}
	err = b.write(ctx, v, f)
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return nil, err
	}
	return &volume.ExtractReport{Members: 1, Bytes: int64(v.Bytes)}, nil
}

// write writes a volume's stream, or some of its members.
func (b *folderBuild) write(ctx context.Context, v *Volume, w io.Writer) (err error) {
	o := RestoreOptions{}
	if b.o.Progress != nil {
		b.before = b.now
		o.Progress = b.report
	}
	if l := lossesOf(b.o.Losses, v); l != nil && v.Tar {
		_, err = b.r.RestoreWhole(ctx, l, b.o.Match, w, o)
		return err
	}
	if b.o.Match == nil {
		return b.r.Restore(ctx, v, w, o)
	}
	_, err = b.r.RestoreMembers(ctx, v, b.o.Match, w, o)
	return err
}

// report adds what earlier volumes came to.
func (b *folderBuild) report(p Progress) {
	b.now = p
	b.now.Bytes += b.before.Bytes
	b.now.Members += b.before.Members
	if b.now.Total = 0; b.o.Match == nil {
		b.now.Total = b.total
	}
	b.o.Progress(b.now)
}
