package ledger

import (
	"context"
	"errors"
	"math/rand/v2"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// SeenIDs gives the ids of the captures that have index files, sorted, for the list of
// those seen. Where copies of them are kept on this machine, a file of which there is none
// is opened: one that no key of this repository made is no capture, whatever its name, and
// nobody must miss it later. Without copies that would take a call for each capture, and
// the names alone decide.
func (r *Ledger) SeenIDs(ctx context.Context, files []storage.Info) ([]string, error) {
	if r.vault.Copies() == nil {
		return CaptureIDs(files), nil
	}
	opened := r.opened()
	var ids []string
	var fresh [][]File
	for _, generations := range Generations(files) {
		if id, ok := openedBefore(generations, opened); ok {
			ids = append(ids, id)
		} else {
			fresh = append(fresh, generations)
		}
	}
	fresh = r.someFresh(ctx, fresh, opened)
	err := vault.InOrder(ctx, fresh, vault.Askers,
		func(ctx context.Context, generations []File) (bool, error) { return r.isCapture(ctx, generations) },
		func(generations []File, is bool, err error) error {
			if id, _, bad := names.ParseCapture(generations[0].Info.Name); bad == nil && is {
				ids = append(ids, id)
				opened[generations[0].Info.Name] = true
			}
			return err
		})
	if err == nil && len(fresh) > 0 {
		r.noteOpened(opened, files)
	}
	slices.Sort(ids)
	return ids, err
}

// openedName is where it is noted which index files were opened.
const openedName = vault.ListedNotes + "/opened"

func (r *Ledger) opened() map[string]bool { return r.namesOf(openedName) }

// noteOpened notes which index files were opened, of those that are there.
func (r *Ledger) noteOpened(opened map[string]bool, files []storage.Info) {
	note := &format.ListedRecord{Names: []string{}}
	for _, info := range files {
		if opened[info.Name] {
			note.Names = append(note.Names, info.Name)
		}
	}
	vault.PutNote(r.vault, format.Listed, openedName, note)
}

// openedBefore gives the id of a capture of which some generation was opened.
func openedBefore(generations []File, opened map[string]bool) (id string, ok bool) {
	for _, f := range generations {
		if opened[f.Info.Name] {
			id, _, err := names.ParseCapture(f.Info.Name)
			return id, err == nil
		}
	}
	return "", false
}

// freshMost is how many index files are opened that no bundle has, for the list of those seen: as many as are read at once. How many
// there are grows with what others capture.
const freshMost = vault.Askers

// someFresh gives those of the captures that are opened this time: those of which there are copies, or that bundles have, and some
// at random, so that others open others. The rest is named by a later capture.
func (r *Ledger) someFresh(ctx context.Context, fresh [][]File, opened map[string]bool) [][]File {
	var copied, alone [][]File
	var missing []string
	for _, generations := range fresh {
		if r.vault.HasCopy(generations[0].Info) {
			copied = append(copied, generations)
		} else {
			alone, missing = append(alone, generations), append(missing, generations[0].Info.Name)
		}
	}
	if len(alone) <= freshMost {
		return fresh
	}
	known := r.bundled() // those that were read have none of them
	if len(opened) == 0 {
		known = make(map[string]bool)
	}
	told := r.learnCopies(ctx, missing, known)
	alone = slices.DeleteFunc(alone, func(generations []File) bool {
		_, ok := told[generations[0].Info.Name]
		if ok {
			copied = append(copied, generations)
		}
		return ok
	})
	rand.Shuffle(len(alone), func(i, j int) { alone[i], alone[j] = alone[j], alone[i] })
	return append(copied, alone[:min(len(alone), freshMost)]...)
}

// isCapture tells whether one of the generations is an index file of this repository, be
// it harmed since. What can't be reached counts as one, but not what is gone since it was listed, which may be a week ago: whether
// that was one nobody knows, and whoever can put files without a key could have one missed for ever that never was.
func (r *Ledger) isCapture(ctx context.Context, generations []File) (bool, error) {
	for _, f := range generations {
		if r.vault.HasCopy(f.Info) {
			return true, nil
		}
	}
	for _, f := range generations {
		_, err := r.ReadIndexFile(ctx, f.Info) // keeps a copy
		if vault.IsDamage(err) {
			err = r.vault.CheckHeader(ctx, format.Capture, f.Info)
		}
		if ctx.Err() != nil {
			return false, context.Cause(ctx)
		}
		if !vault.IsDamage(err) && !errors.Is(err, storage.ErrNotFound) {
			return true, nil
		}
	}
	return false, nil
}
