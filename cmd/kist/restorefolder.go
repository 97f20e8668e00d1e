package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/volume"
)

// holdsSomething tells whether there is something in a folder, which may be
// missing, while the one above may not.
func holdsSomething(dir string) (bool, error) {
	f, err := volume.OpenFolder(dir)
	if errors.Is(err, fs.ErrNotExist) {
		parent := filepath.Dir(filepath.Clean(dir))
		if _, err := os.Stat(parent); err != nil {
			return false, missing(fmt.Errorf("%s can't be made: folder %s is not there", dir, parent))
		}
		return false, nil
	}
	if err != nil {
		return false, err
	}
	defer f.Close()
	empty, err := f.Empty()
	return !empty, err
}

// checkUnused allows a folder that is new or empty.
func checkUnused(dir string) error {
	full, err := holdsSomething(dir)
	if err != nil || !full {
		return err
	}
	clean := filepath.Clean(dir)
	return usagef(`%s is not empty. --replace puts the capture in its place, and keeps what is there
now as %s.before-DATE (--discard-previous removes it); with --only, single members
are replaced. --dry-run shows what would change`, clean, clean)
}

// intoFolder restores volumes into a folder.
func (s *restoring) intoFolder(ctx context.Context, c *store.Capture, volumeName, dir string) error {
	volumes, err := chooseVolumes(c, volumeName)
	if err != nil {
		return err
	}
	if err := s.checkPatterns(ctx, volumes); err != nil {
		return err
	}
	if s.dry {
		return s.showChanges(ctx, placesBelow(volumes, dir), dir)
	}
	full, err := holdsSomething(dir)
	if err != nil {
		return err
	}
	if full && s.only {
		return s.placeMembers(ctx, volumes, dir)
	}
	return s.replaceFolder(ctx, volumes, dir, full)
}

// replaceFolder puts volumes in the place of all that a folder holds.
func (s *restoring) replaceFolder(ctx context.Context, volumes []*store.Volume, dir string, full bool) error {
	if full {
		s.app.say("%s", s.fate(dir))
	}
	report := &volume.ExtractReport{}
	done, err := volume.ReplaceFolder(ctx, dir, func(ctx context.Context, part *volume.Folder) (err error) {
		report, err = s.build(ctx, volumes, part, false) // ReplaceFolder flushes
		return err
	}, volume.ReplaceOptions{DiscardPrevious: s.discard})
	if done == nil {
		return err
	}
	s.sayReplaced(dir, report, done)
	return err
}

// sayReplaced says what was restored, what could not be, and where the previous
// is.
func (s *restoring) sayReplaced(dir string, report *volume.ExtractReport, done *volume.Replaced) {
	report.NotRestored = append(report.NotRestored, done.NotRestored...)
	s.app.warnAll(lossTexts(report))
	s.sayRestored(dir, report)
	if done.How == volume.EntryByEntry {
		s.app.say("%s is a mount point: its entries were moved one by one.", printable(filepath.Clean(dir)))
	}
	if done.Previous != "" {
		s.app.say("What was in %s is kept as %s.", printable(filepath.Clean(dir)), printable(done.Previous))
	}
}

func (s *restoring) sayRestored(dir string, report *volume.ExtractReport) {
	s.app.say("Restored %s, %s of contents, into %s.", count(report.Members, "member", "members"), size(uint64(report.Bytes)), printable(filepath.Clean(dir)))
}

// fate says what becomes of what a folder holds.
func (s *restoring) fate(dir string) string {
	clean := printable(filepath.Clean(dir))
	if s.discard {
		return fmt.Sprintf("What is in %s now will be REMOVED once the capture is complete beside it.", clean)
	}
	return fmt.Sprintf("What is in %s now will be kept as %s.before-DATE.", clean, clean)
}

// build restores into the folder itself, or several volumes below it, and flushes
// all to the disk if asked to.
func (s *restoring) build(ctx context.Context, volumes []*store.Volume, part *volume.Folder, sync bool) (*volume.ExtractReport, error) {
	if len(volumes) == 1 {
		return s.buildVolume(ctx, volumes[0], part, sync)
	}
	sum := &volume.ExtractReport{}
	for _, v := range volumes {
		if !isFileName(v.Name) {
			return sum, fmt.Errorf("volume %q: its name can't be that of a folder: restore it alone with --volume", v.Name)
		}
		if s.only && !s.anyIn(ctx, v) {
			continue
		}
		report, err := s.buildBelow(ctx, v, part, sync)
		if err != nil {
			return sum, fmt.Errorf("volume %s: %w", v.Name, err)
		}
		sum.Members += report.Members
		sum.Bytes += report.Bytes
		sum.NotRestored = append(sum.NotRestored, report.NotRestored...)
	}
	return sum, nil
}

// anyIn tells whether the patterns fit a member of the volume.
func (s *restoring) anyIn(ctx context.Context, v *store.Volume) bool {
	for m, err := range s.r.Members(ctx, v) {
		if err != nil || s.wanted.match(m.Path) {
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

// buildBelow restores a volume into a new folder of its name.
func (s *restoring) buildBelow(ctx context.Context, v *store.Volume, part *volume.Folder, sync bool) (*volume.ExtractReport, error) {
	below, err := part.Mkdir(v.Name)
	if err != nil {
		return nil, err
	}
	defer below.Close()
	return s.buildVolume(ctx, v, below, sync)
}

func (s *restoring) buildVolume(ctx context.Context, v *store.Volume, dir *volume.Folder, sync bool) (*volume.ExtractReport, error) {
	if !v.Tar {
		return s.buildPlain(ctx, v, dir)
	}
	r, w := volume.Pipe()
	written := make(chan error, 1)
	go func() {
		err := s.write(ctx, v, w)
		w.CloseWithError(err)
		written <- err
	}()
	report, err := volume.ExtractInto(ctx, r, dir, volume.ExtractOptions{Devices: s.devices, Sync: sync})
	r.CloseWithError(err)
	if failed := <-written; err == nil {
		err = failed
	}
	return report, err
}

// buildPlain restores what is no tar stream as one file.
func (s *restoring) buildPlain(ctx context.Context, v *store.Volume, dir *volume.Folder) (*volume.ExtractReport, error) {
	if !isFileName(v.Name) {
		return nil, fmt.Errorf("volume %q is no tar stream, and its name can't be that of a file: restore it with --tar FILE", v.Name)
	}
	f, err := dir.Create(v.Name)
	if err != nil {
		return nil, err
	}
	err = s.write(ctx, v, f)
	if err == nil {
		err = f.Sync()
	}
	err = errors.Join(err, f.Close())
	return &volume.ExtractReport{Members: 1, Bytes: int64(v.Bytes)}, err
}

// lossTexts says what could not be restored.
func lossTexts(r *volume.ExtractReport) (texts []string) {
	for _, n := range r.NotRestored {
		text := fmt.Sprintf("not restored of %s: %s", printable(n.Path), screenText(n.Reason))
		if n.Members > 1 {
			text += fmt.Sprintf(" (and of %s)", count(n.Members-1, "member more", "members more"))
		}
		texts = append(texts, text+".")
	}
	return texts
}
