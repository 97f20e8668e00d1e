package vault

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"path"
	"slices"
	"strings"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// Slot is a key slot as Slots lists it.
type Slot struct {
	ID crypt.SlotID
	// Slot is nil where the slot can't be read; Err says why.
	Slot     *crypt.Slot
	Err      error
	Standing string // "" where the slot can't be read
	Opened   bool   // this slot opened the repository
}

// How key slots stand.
const (
	SlotProven   = "proven"   // its MAC fits, or it opened the repository
	SlotUnproved = "unproved" // of version 1, which has no MAC
	SlotForged   = "forged"   // made without the root key, changed, or of another repository
)

// Slots lists the key slots, in order of their ids.
func (v *Vault) Slots(ctx context.Context) ([]Slot, error) {
	if err := v.keys.Wiped(); err != nil {
		return nil, err
	}
	documents, err := readSlots(ctx, v.storage)
	if err != nil {
		return nil, err
	}
	slots := make([]Slot, len(documents))
	for i, d := range documents {
		s := Slot{ID: d.ID, Opened: d.ID == v.OpenedSlot()}
		if s.Slot, s.Err = crypt.ParseSlot(d.ID, d.Document); s.Err == nil {
			if s.Standing, err = v.standing(s.Slot); err != nil {
				return nil, err
			}
		}
		slots[i] = s
	}
	return slots, nil
}

// OpenedSlot gives the id of the key slot that opened the repository, or that RenewSlot
// made in its place.
func (v *Vault) OpenedSlot() crypt.SlotID { return v.opened.Load().ID() }

// standing fails only where the repository was closed.
func (v *Vault) standing(s *crypt.Slot) (string, error) {
	err := v.keys.CheckSlot(s)
	switch {
	case err == nil:
		return SlotProven, nil
	case errors.Is(err, crypt.ErrForgedSlot):
		return SlotForged, nil
	case !errors.Is(err, crypt.ErrUnprovedSlot):
		return "", err
	}
	if sameSlot(s, v.opened.Load()) {
		return SlotProven, nil
	}
	if s.Repository() != v.manifest.ID || s.Kind() == crypt.SlotPassphrase && s.Cost().Below(crypt.DefaultCost()) {
		return SlotForged, nil // nothing that made slots of version 1 made such a one
	}
	return SlotUnproved, nil
}

func sameSlot(a, b *crypt.Slot) bool {
	one, err1 := a.Marshal()
	two, err2 := b.Marshal()
	return err1 == nil && err2 == nil && bytes.Equal(one, two)
}

// AddSlot lets another passphrase or key file open the repository. It fails with
// crypt.ErrTooManySlots.
func (v *Vault) AddSlot(ctx context.Context, secret crypt.Secret, o crypt.SlotOptions) (*crypt.Slot, error) {
	if err := v.keys.Wiped(); err != nil {
		return nil, err
	}
	there, err := listSlots(ctx, v.storage)
	if err != nil {
		return nil, err
	}
	if len(there) >= crypt.MaxSlots {
		return nil, fmt.Errorf("%w, and %d are there: remove one first", crypt.ErrTooManySlots, len(there))
	}
	slot, err := newSlot(ctx, v.storage, v.root, v.manifest.ID, secret, o)
	if err == nil {
		v.spareSlot(ctx, slot)
	}
	return slot, err
}

// RemoveSlot takes away a key slot. It fails with ErrNotFound, and
// with ErrLastSlot where no other slot would be left that is known to open the
// repository: only those that are SlotProven count.
func (v *Vault) RemoveSlot(ctx context.Context, id crypt.SlotID) error {
	slots, err := v.Slots(ctx)
	if err != nil {
		return err
	}
	found, others, unproved := false, 0, 0
	for _, s := range slots {
		switch {
		case s.ID == id:
			found = true
		case s.Standing == SlotProven:
			others++
		case s.Standing == SlotUnproved:
			unproved++
		}
	}
	if !found {
		return fmt.Errorf("key slot %s: %w", id, ErrNotFound)
	}
	if others > 0 {
		// First: what is left of it must not open anything.
		if err := v.removeSpare(ctx, names.KeySlot(string(id))); err != nil {
			return err
		}
		return v.storage.Remove(ctx, names.KeySlot(string(id)))
	}
	if unproved > 0 {
		return fmt.Errorf("key slot %s: %w. There are others (%d), but of an older kind that may be forged: open the repository by another one, and then remove this", id, ErrLastSlot, unproved)
	}
	return fmt.Errorf("key slot %s: %w", id, ErrLastSlot)
}

func newSlot(ctx context.Context, st storage.Storage, root *crypt.RootKey, repo crypt.RepositoryID, secret crypt.Secret, o crypt.SlotOptions) (*crypt.Slot, error) {
	slot, err := crypt.NewSlot(root, repo, secret, o)
	if err != nil {
		return nil, err
	}
	document, err := slot.Marshal()
	if err != nil {
		return nil, err
	}
	if err := st.Put(ctx, names.KeySlot(string(slot.ID())), bytes.NewReader(document)); err != nil {
		return nil, fmt.Errorf("writing key slot: %w", err)
	}
	return slot, nil
}

// readSlots reads all key slots.
func readSlots(ctx context.Context, st storage.Storage) ([]crypt.SlotDocument, error) {
	infos, err := listSlots(ctx, st)
	if err != nil {
		return nil, err
	}
	return readListed(ctx, st, infos)
}

// readSlotsToOpen reads the key slots that opening may try: of more than are tried, the
// first ones by name, and the one to be tried first. It notes those that are read by their second copies.
func readSlotsToOpen(ctx context.Context, st storage.Storage, first crypt.SlotID, harmed *healed) ([]crypt.SlotDocument, error) {
	infos, err := listSlots(ctx, st)
	if err != nil {
		return nil, err
	}
	if at := slices.IndexFunc(infos, func(i storage.Info) bool { return slotID(i) == first }); at > 0 {
		infos = slices.Concat(infos[at:at+1], infos[:at], infos[at+1:])
	}
	left := max(0, len(infos)-crypt.MaxSlots)
	documents, err := readListed(ctx, st, infos[:len(infos)-left])
	for i := range documents {
		documents[i] = slotOrSpare(ctx, st, documents[i], harmed)
	}
	if err == nil && left > 0 {
		documents = append(documents, crypt.SlotDocument{
			Err: fmt.Errorf("%w, and %d are in the folder %s: whoever put them there can write to the repository; remove those that you don't know", crypt.ErrTooManySlots, len(infos), names.KeySlots),
		})
	}
	return documents, err
}

func listSlots(ctx context.Context, st storage.Storage) ([]storage.Info, error) {
	infos, err := st.List(ctx, names.KeySlots)
	return slices.DeleteFunc(infos, func(i storage.Info) bool { return !strings.HasSuffix(i.Name, ".json") }), err
}

func slotID(info storage.Info) crypt.SlotID {
	return crypt.SlotID(strings.TrimSuffix(path.Base(info.Name), ".json"))
}

func readListed(ctx context.Context, st storage.Storage, infos []storage.Info) ([]crypt.SlotDocument, error) {
	var documents []crypt.SlotDocument
	for _, info := range infos {
		b, err := readSized(ctx, st, info, crypt.MaxSlotDocument)
		if errors.Is(err, storage.ErrNotFound) {
			continue // removed since it was listed
		}
		if err != nil && !errors.Is(err, format.ErrDamaged) {
			return nil, err
		}
		documents = append(documents, crypt.SlotDocument{ID: slotID(info), Document: b})
	}
	return documents, nil
}
