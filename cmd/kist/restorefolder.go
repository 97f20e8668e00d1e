package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
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
			return false, missing(fmt.Errorf("%s can't be made: folder %s is not there", screen.Line(dir), screen.Line(parent)))
		}
		return false, nil
	}
	if info, failed := os.Stat(dir); err != nil && failed == nil && !info.IsDir() {
		return false, fmt.Errorf("%s is a file: --into wants a folder, and --tar a file", screen.Line(dir))
	}
	if err != nil {
		return false, err
	}
	defer f.Close()
	empty, err := f.Empty()
	return !empty, err
}

// shownDir gives a folder as it is shown: by a name to which others can be put beside.
func shownDir(dir string) string {
	clean := filepath.Clean(dir)
	if base := filepath.Base(clean); base == "." || base == ".." {
		return paths.Absolute(dir)
	}
	return clean
}

// checkUnused allows a folder that is new or empty.
func checkUnused(dir string) error {
	full, err := holdsSomething(dir)
	if err != nil || !full {
		return err
	}
	clean := shownDir(dir)
	return usagef("%s is not empty. --replace puts the capture in its place, and keeps what is there now as %s.before-DATE (--discard-previous removes it); with --only, single members are replaced. --dry-run shows what would change", clean, clean)
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
		return s.showChanges(ctx, []destination{{volumes, dir, false}}, shownDir(dir))
	}
	if err := s.checkSpace(ctx, []destination{{volumes, dir, false}}); err != nil {
		return err
	}
	full, err := holdsSomething(dir)
	if err != nil {
		return err
	}
	if full {
		if err := s.checkMounted(ctx, dir); err != nil {
			return err
		}
	}
	if full && !s.only {
		s.app.Say("%s", s.fate(dir))
	}
	return s.endDropped(s.restoreFolder(ctx, volumes, dir), c, volumes)
}

// restoreFolder restores volumes into a folder, or what is whole of them, and says what was done.
func (s *restoring) restoreFolder(ctx context.Context, volumes []*store.Volume, dir string) error {
	done, err := s.putFolder(ctx, volumes, dir, func(o *store.FolderOptions) { s.heedUsed(o, dir) })
	if done == nil && isLossy(err) {
		return s.rescueFolder(ctx, volumes, dir, err)
	}
	return err
}

// putFolder restores volumes into a folder, without what is lost, and says what was done, if anything.
func (s *restoring) putFolder(ctx context.Context, volumes []*store.Volume, dir string, change func(*store.FolderOptions)) (*store.FolderRestored, error) {
	o, end := s.folderOptions()
	aside, finish, err := s.app.beginRestore(dir)
	if err != nil {
		end()
		return nil, err
	}
	defer finish()
	o.Aside = aside
	change(&o)
	done, err := s.r.RestoreFolder(ctx, volumes, dir, o)
	end()
	if done != nil {
		s.noteSingles(dir, done.Kept)
	}
	err = explainName(err, len(volumes) > 1)
	if done != nil {
		s.result.add(volumes, dir, done)
	}
	switch {
	case done == nil:
		return nil, err
	case done.Beside != "":
		s.app.WarnAll(lossTexts(done.NotRestored))
		s.sayRestored(done.Beside, done)
	case done.How == 0:
		return done, s.sayPlaced(dir, done, err)
	default:
		s.sayReplaced(dir, done)
	}
	return done, err
}

// heedUsed ends a restore that may replace nothing, before it does, where the folder holds something by now, as by another restore.
func (s *restoring) heedUsed(o *store.FolderOptions, dir string) {
	if s.replace || s.only {
		return
	}
	aside := o.Aside
	o.Aside = func(id volume.Identity) error {
		// Of a mount point, in which the new tree is built, what it holds is not told.
		if at, err := volume.IdentityOf(dir); err == nil && at.Is(id) {
			if err := checkUnused(dir); err != nil {
				return err
			}
		}
		if aside == nil {
			return nil
		}
		return aside(id)
	}
}

// noteSingles notes single members that were kept.
func (s *restoring) noteSingles(dir string, kept []string) {
	for _, path := range kept {
		if err := s.app.book().NoteSingle(filepath.Join(paths.Absolute(dir), path)); err != nil {
			s.app.Warn("kist kept will not know of %s: %s", screen.Printable(path), screen.Line(err.Error()))
		}
	}
}

// folderOptions says how volumes are restored into folders, which were looked into before.
func (s *restoring) folderOptions() (o store.FolderOptions, end func()) {
	o = store.FolderOptions{Replace: true, DiscardPrevious: s.discard, Devices: s.devices}
	if s.only {
		o.Match = s.wanted.Match
	}
	o.Progress, end = s.app.progress("restoring")
	return o, end
}

// explainName says what to do about a volume's name.
func explainName(err error, several bool) error {
	switch {
	case !errors.Is(err, store.ErrVolumeName):
		return err
	case several:
		return fmt.Errorf("%w with --volume", err)
	}
	return fmt.Errorf("%w with --tar FILE", err)
}

// sayReplaced says what was restored, what could not be, and where the previous
// is.
func (s *restoring) sayReplaced(dir string, done *store.FolderRestored) {
	s.app.WarnAll(lossTexts(done.NotRestored))
	s.sayRestored(dir, done)
	if done.How == volume.EntryByEntry {
		s.app.Say("%s is a mount point: its entries were moved one by one.", screen.Printable(shownDir(dir)))
	}
	if done.Previous != "" {
		s.app.Say("What was in %s is kept as %s.", screen.Printable(shownDir(dir)), screen.Printable(done.Previous))
	}
}

// sayPlaced says which single members were restored, also where an error ended it.
func (s *restoring) sayPlaced(dir string, done *store.FolderRestored, err error) error {
	s.app.WarnAll(lossTexts(done.NotRestored))
	for _, kept := range done.Kept {
		s.app.Say("The previous one is kept as %s.", screen.Printable(filepath.Join(dir, kept)))
	}
	if err != nil {
		return fmt.Errorf("%s: %w. %s in place already", dir, err, screen.Count(done.Entries, "entry is", "entries are"))
	}
	s.sayRestored(dir, done)
	return nil
}

func (s *restoring) sayRestored(dir string, done *store.FolderRestored) {
	s.app.Say("Restored %s, %s of contents, into %s.", screen.Count(done.Members, "member", "members"), screen.Size(uint64(done.Bytes)), screen.Printable(shownDir(dir)))
}

// fate says what becomes of what a folder holds.
func (s *restoring) fate(dir string) string {
	clean := screen.Printable(shownDir(dir))
	if s.discard {
		return fmt.Sprintf("What is in %s now will be REMOVED once the capture is complete beside it.", clean)
	}
	return fmt.Sprintf("What is in %s now will be kept as %s.before-DATE.", clean, clean)
}

// lossTexts says what could not be restored.
func lossTexts(notes []volume.Note) (texts []string) {
	for _, n := range notes {
		text := fmt.Sprintf("not restored of %s: %s", screen.Printable(n.Path), screen.Line(n.Reason))
		if n.Members > 1 {
			text += fmt.Sprintf(" (and of %s)", screen.Count(n.Members-1, "member more", "members more"))
		}
		texts = append(texts, text+".")
	}
	return texts
}
