package ledger

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"path"
	"slices"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// Bundles spare a machine that knows nothing of a repository some calls for each index file: they
// have many as they are. What counts is which index files there are, and nothing depends on a bundle.

const (
	bundleFrom = 64 // index files that no bundle has, for which one is put
	bundleUse  = 16 // index files that are not known, for which bundles are read
)

// BundleMost is how many bytes of index files a bundle has at the most.
const BundleMost = 8 << 20

// Bundle is a bundle that was read.
type Bundle struct {
	Info   storage.Info
	Record *format.BundleRecord
}

// ReadBundles reads bundles, but for those that skip names. Damaged ones are given as such.
func (r *Ledger) ReadBundles(ctx context.Context, skip map[string]bool) (all []Bundle, damage []*vault.ObjectError, err error) {
	infos, err := r.vault.ListMarks(ctx, names.Bundles)
	if err != nil {
		return nil, nil, err
	}
	infos = slices.DeleteFunc(infos, func(i storage.Info) bool { return !names.IsBundle(i.Name) || skip[i.Name] })
	err = vault.InOrder(ctx, infos, vault.Few,
		func(ctx context.Context, info storage.Info) (*format.BundleRecord, error) {
			return vault.ReadMark[format.BundleRecord](ctx, r.vault, format.Bundle, info)
		},
		func(info storage.Info, record *format.BundleRecord, err error) error {
			var object *vault.ObjectError
			switch {
			case err == nil:
				all = append(all, Bundle{info, record})
			case errors.Is(err, storage.ErrNotFound): // another one has come in its place
			case vault.IsDamage(err) && errors.As(err, &object):
				damage = append(damage, object)
			default:
				return err
			}
			return nil
		})
	return all, damage, err
}

// bundledName is where it is noted which index files bundles have, and which bundles were read.
const bundledName = vault.ListedNotes + "/bundled"

// bundled gives what was noted of bundles, by full names.
func (r *Ledger) bundled() map[string]bool { return r.namesOf(bundledName) }

// namesOf gives the names in a note.
func (r *Ledger) namesOf(name string) map[string]bool {
	known := make(map[string]bool)
	if note := vault.Note[format.ListedRecord](r.vault, format.Listed, name); note != nil {
		for _, name := range note.Names {
			known[name] = true
		}
	}
	return known
}

func (r *Ledger) noteBundled(known map[string]bool) {
	note := &format.ListedRecord{Names: []string{}}
	for name := range known {
		note.Names = append(note.Names, name)
	}
	slices.Sort(note.Names)
	vault.PutNote(r.vault, format.Listed, bundledName, note)
}

// learnBundles reads the bundles that were not read before, and calls take with what is in them.
func (r *Ledger) learnBundles(ctx context.Context, known map[string]bool, take func(name string, b []byte)) error {
	all, _, err := r.ReadBundles(ctx, known)
	for _, b := range all {
		known[b.Info.Name] = true
		for i, name := range b.Record.Names {
			name = path.Join(names.Captures, name)
			known[name] = true
			take(name, b.Record.Objects[i])
		}
	}
	return err
}

// unbundle keeps copies of index files, as bundles have them, of those that are there by their names
// and are not known on this machine. Each is opened as the object would be, and is proved by its seal.
func (r *Ledger) unbundle(ctx context.Context, fresh []string) map[string]storage.Info {
	if len(fresh) < bundleUse {
		return nil
	}
	return r.learnCopies(ctx, fresh, make(map[string]bool)) // all are read again: the copies may be what got lost
}

// learnCopies is unbundle by the bundles that are not known.
func (r *Ledger) learnCopies(ctx context.Context, fresh []string, known map[string]bool) map[string]storage.Info {
	told := make(map[string]storage.Info)
	err := r.learnBundles(ctx, known, func(name string, b []byte) {
		info := storage.Info{Name: name, Size: int64(len(b)), Modified: time.Unix(0, 0)}
		if _, ok := slices.BinarySearch(fresh, name); !ok {
			return
		}
		if _, err := r.decodeIndexFile(bufio.NewReaderSize(bytes.NewReader(b), format.MaxHeader), info, format.OpenIndexFile); err == nil {
			r.vault.Copies().Add(name, b)
			told[name] = info
		}
	})
	if err == nil {
		r.noteBundled(known)
	}
	return told
}

// PutBundle puts a bundle where many index files are in none, of those that were listed and of which
// there are copies on this machine. It fails without harm.
func (r *Ledger) PutBundle(ctx context.Context, listed []storage.Info) {
	if r.vault.Copies() == nil {
		return
	}
	known := r.bundled()
	alone := slices.DeleteFunc(inNone(listed, known), func(i storage.Info) bool { return !r.vault.HasCopy(i) })
	if len(alone) < bundleFrom || r.learnBundles(ctx, known, func(string, []byte) {}) != nil {
		return
	}
	if some := inNone(alone, known); len(some) >= bundleFrom {
		r.bundle(ctx, known, some)
	}
	r.noteBundled(known)
}

// PutOwnBundle is PutBundle for captures of this machine alone, without a look at the bundles of others: that others have them, too, is no
// harm.
func (r *Ledger) PutOwnBundle(ctx context.Context, listed []storage.Info) {
	if r.vault.Copies() == nil {
		return
	}
	known := r.bundled()
	if alone := inNone(r.OwnFiles(listed), known); len(alone) >= bundleFrom {
		r.bundle(ctx, known, alone)
		r.noteBundled(known)
	}
}

// inNone gives the index files that are not known to be in bundles.
func inNone(listed []storage.Info, known map[string]bool) []storage.Info {
	return slices.DeleteFunc(slices.Clone(listed), func(i storage.Info) bool {
		_, _, err := names.ParseCapture(i.Name)
		return err != nil || known[i.Name]
	})
}

// bundle puts one bundle of copies.
func (r *Ledger) bundle(ctx context.Context, known map[string]bool, some []storage.Info) {
	record, size := &format.BundleRecord{}, 0
	for _, info := range some {
		file := r.vault.Copies().Reader(info.Name, info.Size)
		if file == nil {
			continue
		}
		b, err := io.ReadAll(file)
		file.Close()
		if err != nil || size+len(b) > BundleMost {
			break
		}
		size += len(b)
		record.Names, record.Objects = append(record.Names, path.Base(info.Name)), append(record.Objects, b)
	}
	if len(record.Names) == 0 {
		return
	}
	if name, err := r.WriteBundle(ctx, record); err == nil {
		known[name] = true
		for _, n := range record.Names {
			known[path.Join(names.Captures, n)] = true
		}
	}
}

// CheckBundle makes sure that a bundle has the index files of captures as they are.
func (r *Ledger) CheckBundle(b *Bundle, captures []*Capture) error {
	now := make(map[string]*Capture)
	for _, c := range captures {
		now[c.Info.Name] = c
	}
	for i, name := range b.Record.Names {
		c := now[path.Join(names.Captures, name)]
		if c == nil {
			continue // gone, or another generation counts
		}
		src := bufio.NewReaderSize(bytes.NewReader(b.Record.Objects[i]), format.MaxHeader)
		f, err := r.decodeIndexFile(src, c.Info, format.OpenIndexFile)
		if err != nil || f.Hash() != c.Hash() {
			return fmt.Errorf("%w: it has another %s", format.ErrDamaged, c.Info.Name)
		}
	}
	return nil
}

// WriteBundle puts a bundle.
func (r *Ledger) WriteBundle(ctx context.Context, record *format.BundleRecord) (name string, err error) {
	err = vault.Draw(func() error {
		name = names.Bundle(names.NewID(time.Now()))
		return vault.PutMark(ctx, r.vault, format.Bundle, name, record)
	})
	return name, err
}
