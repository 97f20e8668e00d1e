package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/volume"
)

// target is the folder that is restored into, and where it is built.
type target struct {
	dir, part string
	there     bool // dir was there, empty
	inPlace   bool // and could not be renamed
}

// checkFolder allows a folder that is new or empty.
func checkFolder(dir string) error {
	entries, err := os.ReadDir(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		parent := filepath.Dir(filepath.Clean(dir))
		if _, err := os.Stat(parent); err != nil {
			return missing(fmt.Errorf("%s can't be made: folder %s is not there", dir, parent))
		}
		return nil
	case err != nil:
		return err
	case len(entries) > 0:
		return fmt.Errorf("%s is not empty: name a new or empty folder; nothing is ever written over", dir)
	}
	return nil
}

// newTarget makes the folder to build in. An empty folder that is there becomes
// it, and so keeps its owner and mode.
func newTarget(dir string) (*target, error) {
	t := &target{dir: filepath.Clean(dir)}
	if real, err := filepath.EvalSymlinks(dir); err == nil {
		t.dir, t.there = real, true
	}
	if absolute, err := filepath.Abs(t.dir); err == nil {
		t.dir = absolute
	}
	t.part = partName(t.dir)
	if !t.there {
		return t, os.Mkdir(t.part, 0o700)
	}
	if err := os.Rename(t.dir, t.part); err != nil {
		t.part, t.inPlace = t.dir, true
	}
	return t, nil
}

// finish renames the folder into place.
func (t *target) finish() error {
	if t.inPlace {
		return syncFolder(t.dir)
	}
	if err := errors.Join(syncFolder(t.part), os.Rename(t.part, t.dir)); err != nil {
		return err
	}
	return syncFolder(filepath.Dir(t.dir))
}

// abandon leaves everything as it was found.
func (t *target) abandon() error {
	if !t.there {
		return removeTree(t.part)
	}
	err := emptyFolder(t.part)
	if !t.inPlace {
		err = errors.Join(err, os.Rename(t.part, t.dir))
	}
	return err
}

// intoFolder restores volumes into a folder that appears once it is complete.
func (s *restoring) intoFolder(ctx context.Context, c *store.Capture, volumeName, dir string) error {
	volumes, err := chooseVolumes(c, volumeName)
	if err != nil {
		return err
	}
	if err := s.checkPatterns(ctx, volumes); err != nil {
		return err
	}
	t, err := newTarget(dir)
	if err != nil {
		return err
	}
	if t.inPlace {
		s.app.say("%s can't be renamed, as a mount point: it is filled in place.", printable(t.dir))
	}
	report, err := s.build(ctx, volumes, t.part)
	if err == nil {
		err = t.finish()
	}
	if err != nil {
		return errors.Join(err, t.abandon())
	}
	s.app.warnAll(lossTexts(report))
	s.app.say("Restored %s, %s of contents, into %s.", count(report.Members, "member", "members"), size(uint64(report.Bytes)), printable(filepath.Clean(dir)))
	return nil
}

// build restores into the folder itself, or several volumes below it.
func (s *restoring) build(ctx context.Context, volumes []*store.Volume, part string) (*volume.ExtractReport, error) {
	if len(volumes) == 1 {
		return s.buildVolume(ctx, volumes[0], part)
	}
	sum := &volume.ExtractReport{}
	for _, v := range volumes {
		if !isFileName(v.Name) {
			return sum, fmt.Errorf("volume %q: its name can't be that of a folder: restore it alone with --volume", v.Name)
		}
		if s.only && !s.anyIn(ctx, v) {
			continue
		}
		report, err := s.buildVolume(ctx, v, filepath.Join(part, v.Name))
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

func (s *restoring) buildVolume(ctx context.Context, v *store.Volume, dir string) (*volume.ExtractReport, error) {
	if !v.Tar {
		return s.buildPlain(ctx, v, dir)
	}
	r, w := io.Pipe()
	written := make(chan error, 1)
	go func() {
		err := s.write(ctx, v, w)
		w.CloseWithError(err)
		written <- err
	}()
	report, err := volume.Extract(ctx, r, dir, volume.ExtractOptions{Devices: s.devices, Sync: true})
	r.CloseWithError(err)
	if failed := <-written; err == nil {
		err = failed
	}
	return report, err
}

// buildPlain restores what is no tar stream as one file.
func (s *restoring) buildPlain(ctx context.Context, v *store.Volume, dir string) (*volume.ExtractReport, error) {
	if !isFileName(v.Name) {
		return nil, fmt.Errorf("volume %q is no tar stream, and its name can't be that of a file: restore it with --tar FILE", v.Name)
	}
	if err := os.Mkdir(dir, 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return nil, err
	}
	f, err := os.OpenFile(filepath.Join(dir, v.Name), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
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
