package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"path"
	"strings"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// Slot is a key slot as Slots lists it.
type Slot struct {
	ID crypt.SlotID
	// Slot is nil where the slot can't be read; Err says why.
	Slot *crypt.Slot
	Err  error
	// Opened tells that this slot opened the repository.
	Opened bool
}

// Slots lists the key slots, in order of their ids.
func (r *Repository) Slots(ctx context.Context) ([]Slot, error) {
	documents, err := readSlots(ctx, r.storage)
	if err != nil {
		return nil, err
	}
	slots := make([]Slot, len(documents))
	for i, d := range documents {
		s, err := crypt.ParseSlot(d.ID, d.Document)
		slots[i] = Slot{ID: d.ID, Slot: s, Err: err, Opened: d.ID == r.slot}
	}
	return slots, nil
}

// AddSlot lets another passphrase or key file open the repository.
func (r *Repository) AddSlot(ctx context.Context, secret crypt.Secret, o crypt.SlotOptions) (*crypt.Slot, error) {
	return newSlot(ctx, r.storage, r.root, r.id, secret, o)
}

// RemoveSlot takes away a key slot. A copy of it that somebody kept still opens
// the repository: the root key stays the same. It fails with ErrNotFound, and
// with ErrLastSlot where no other intact slot would be left.
func (r *Repository) RemoveSlot(ctx context.Context, id crypt.SlotID) error {
	slots, err := r.Slots(ctx)
	if err != nil {
		return err
	}
	found, others := false, 0
	for _, s := range slots {
		switch {
		case s.ID == id:
			found = true
		case s.Err == nil && s.Slot.Repository() == r.id:
			others++
		}
	}
	if !found {
		return fmt.Errorf("key slot %s: %w", id, ErrNotFound)
	}
	if others == 0 {
		return fmt.Errorf("key slot %s: %w", id, ErrLastSlot)
	}
	return r.storage.Remove(ctx, names.KeySlot(string(id)))
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

func readSlots(ctx context.Context, st storage.Storage) ([]crypt.SlotDocument, error) {
	infos, err := st.List(ctx, names.KeySlots)
	if err != nil {
		return nil, err
	}
	var documents []crypt.SlotDocument
	for _, info := range infos {
		id, ok := strings.CutSuffix(path.Base(info.Name), ".json")
		if !ok {
			continue
		}
		b, err := readSized(ctx, st, info, crypt.MaxSlotDocument)
		if errors.Is(err, storage.ErrNotFound) {
			continue // removed since it was listed
		}
		if err != nil && !errors.Is(err, ErrDamaged) {
			return nil, err
		}
		documents = append(documents, crypt.SlotDocument{ID: crypt.SlotID(id), Document: b})
	}
	return documents, nil
}
