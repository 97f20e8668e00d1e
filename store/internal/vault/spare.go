package vault

import (
	"bytes"
	"context"
	"errors"
	"maps"
	"slices"
	"sync"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// PutSpare puts the second copy of an object that was put, where slabs get parity. Without it nothing is lost but
// a remedy: whoever put the object goes on, and whoever repairs puts it later.
func (v *Vault) PutSpare(ctx context.Context, name string, content []byte) {
	if percent, err := v.Parity(ctx); err != nil || percent == 0 {
		return
	}
	spare := names.Spare(name)
	if err := v.storage.Put(ctx, spare, bytes.NewReader(content)); errors.Is(err, storage.ErrExists) {
		v.putOver(ctx, spare, content) // of an object that was withdrawn
	}
}

// hasSpare tells whether objects of a folder get second copies when they are put.
func hasSpare(name string) bool {
	folder := FolderOf(name)
	return folder == names.Captures || folder == names.Tables
}

// Spare gives the second copy of an object of at most limit bytes; nil: there is none that can be read. It is to be proved as
// the object is.
func (v *Vault) Spare(ctx context.Context, name string, limit int64) []byte {
	return spareOf(ctx, v.storage, name, limit)
}

func spareOf(ctx context.Context, st storage.Storage, name string, limit int64) []byte {
	b, err := readAll(ctx, st, names.Spare(name), limit)
	if err != nil {
		return nil
	}
	return b
}

// TrySpare opens the second copy of an object, where the cause of not opening the object is damage, and notes that. It gives
// the cause where that does not help.
func TrySpare[T any](ctx context.Context, v *Vault, name string, limit int64, cause error, open func([]byte) (T, error)) (T, error) {
	var none T
	if !fetch.MayHeal(cause) {
		return none, cause
	}
	b := v.Spare(ctx, name, limit)
	if b == nil {
		return none, cause
	}
	value, err := open(b)
	if err != nil {
		return none, cause
	}
	v.healed.note(name, cause)
	return value, nil
}

// healed is what was damaged and could be read by a second copy.
type healed struct {
	mu     sync.Mutex
	causes map[string]error // by name
}

func (h *healed) note(name string, cause error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.causes == nil {
		h.causes = make(map[string]error)
	}
	h.causes[name] = cause
}

// Healed gives the objects that were damaged and could be read by a second copy, and what was damaged.
func (v *Vault) Healed() map[string]error {
	v.healed.mu.Lock()
	defer v.healed.mu.Unlock()
	return maps.Clone(v.healed.causes)
}

// Spares lists the second copies, by the names of what they are of.
func (v *Vault) Spares(ctx context.Context) (map[string]storage.Info, error) {
	infos, err := v.ListMarks(ctx, names.Spares)
	if err != nil {
		return nil, err
	}
	spares := make(map[string]storage.Info)
	for _, info := range infos {
		if object, err := names.ParseSpare(info.Name); err == nil {
			spares[object] = info
		}
	}
	return spares, nil
}

// Spared lists the objects that have second copies where slabs get parity.
func (v *Vault) Spared(ctx context.Context) ([]storage.Info, error) {
	var all []storage.Info
	for _, folder := range []string{names.Captures, names.Tables, names.KeySlots} {
		infos, err := v.storage.List(ctx, folder)
		if err != nil {
			return nil, err
		}
		all = append(all, infos...)
	}
	manifest, err := v.storage.Stat(ctx, names.Manifest)
	if errors.Is(err, storage.ErrNotFound) {
		return all, nil
	}
	all = slices.DeleteFunc(append(all, manifest), func(info storage.Info) bool {
		_, err := names.ParseSpare(names.Spare(info.Name))
		return err != nil
	})
	return all, err
}

// SpareAgain puts the second copy of an object that was found whole, whether or not slabs get parity by now.
func (v *Vault) SpareAgain(ctx context.Context, name string) error {
	b, err := readAll(ctx, v.storage, name, format.MaxSlab)
	if err != nil {
		return err
	}
	return v.putOver(ctx, names.Spare(name), b)
}

// AddSpares puts the second copies that are missing, but for objects that are damaged, and gives their names.
func (v *Vault) AddSpares(ctx context.Context, damaged func(name string) bool) (added []string, err error) {
	if percent, err := v.Parity(ctx); err != nil || percent == 0 {
		return nil, err
	}
	spares, err := v.Spares(ctx)
	if err != nil {
		return nil, err
	}
	objects, err := v.Spared(ctx)
	if err != nil {
		return nil, err
	}
	for _, info := range objects {
		if _, there := spares[info.Name]; there || damaged(info.Name) {
			continue
		}
		b, err := readSized(ctx, v.storage, info, format.MaxSlab)
		if err == nil {
			err = v.storage.Put(ctx, names.Spare(info.Name), bytes.NewReader(b))
		}
		switch {
		case err == nil:
			added = append(added, names.Spare(info.Name))
		case !errors.Is(err, storage.ErrNotFound) && !errors.Is(err, storage.ErrExists) && !IsDamage(err):
			return added, err
		}
	}
	return added, nil
}

// CleanSpares removes second copies of what is gone. Whoever calls it is the only one who repairs or reclaims.
func (v *Vault) CleanSpares(ctx context.Context) error {
	spares, err := v.Spares(ctx) // before what they are of: whoever writes puts that first
	if err != nil || len(spares) == 0 {
		return err
	}
	objects, err := v.Spared(ctx)
	if err != nil {
		return err
	}
	for _, info := range objects {
		delete(spares, info.Name)
	}
	for object, spare := range spares {
		if object == names.Manifest || FolderOf(object) == names.Slabs {
			continue // a slab's is that of a repair that was stopped
		}
		if err := v.Drop(ctx, spare.Name); err != nil {
			return err
		}
	}
	return nil
}

// CheckSpares holds second copies against what they are of, and tells of each that differs, and of each object that has
// none though it should.
func (v *Vault) CheckSpares(ctx context.Context, differs func(object string), lacks func(object string)) error {
	spares, err := v.Spares(ctx)
	if err != nil {
		return err
	}
	percent, err := v.Parity(ctx)
	if err != nil || percent == 0 && len(spares) == 0 {
		return err
	}
	objects, err := v.Spared(ctx)
	if err != nil {
		return err
	}
	return InOrder(ctx, objects, Askers,
		func(ctx context.Context, info storage.Info) (bool, error) {
			spare, there := spares[info.Name]
			if !there {
				return false, nil
			}
			if spare.Size != info.Size {
				return true, nil
			}
			one, err := readSized(ctx, v.storage, info, format.MaxSlab)
			if err != nil {
				return false, nil // which is told by who reads it
			}
			two, err := readSized(ctx, v.storage, spare, format.MaxSlab)
			return err == nil && !bytes.Equal(one, two) || IsDamage(err) || fetch.IsUnreadable(err), nil
		},
		func(info storage.Info, bad bool, err error) error {
			if bad {
				differs(info.Name)
			} else if _, there := spares[info.Name]; !there && percent > 0 {
				lacks(info.Name)
			}
			return err
		})
}

// spareSlot puts the second copy of a key slot.
func (v *Vault) spareSlot(ctx context.Context, slot *crypt.Slot) {
	if document, err := slot.Marshal(); err == nil {
		v.PutSpare(ctx, names.KeySlot(string(slot.ID())), document)
	}
}

func (v *Vault) removeSpare(ctx context.Context, name string) error {
	if err := v.storage.Remove(ctx, names.Spare(name)); err != nil && !fetch.IsAbsent(err) {
		return err
	}
	return nil
}

// slotOrSpare gives the document of a key slot, or its second copy where that alone is whole, and notes that.
func slotOrSpare(ctx context.Context, st storage.Storage, d crypt.SlotDocument, harmed *healed) crypt.SlotDocument {
	_, cause := crypt.ParseSlot(d.ID, d.Document)
	if !errors.Is(cause, crypt.ErrDamagedSlot) {
		return d
	}
	spare := spareOf(ctx, st, names.KeySlot(string(d.ID)), crypt.MaxSlotDocument)
	if spare != nil {
		if _, err := crypt.ParseSlot(d.ID, spare); err == nil {
			d.Document = spare
			harmed.note(names.KeySlot(string(d.ID)), cause)
		}
	}
	return d
}
