package vault

import (
	"context"
	"errors"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// Locked is a repository that was found and is not open yet.
type Locked struct {
	storage  storage.Storage
	manifest *manifest
	places   []ownMark // marks of places, by their names
	settings []ownMark // marks with settings, by their numbers
	harmed   error     // why the second copy of kist.json serves; nil: it does not
}

// Find finds the repository in a storage. It fails with ErrNoRepository, or where
// kist.json is damaged or of a format that this release does not know.
func Find(ctx context.Context, st storage.Storage) (*Locked, error) {
	m, err := readManifest(ctx, st)
	harmed := err
	if errors.Is(err, format.ErrDamaged) || errors.Is(err, format.ErrUnknownVersion) {
		if spare, failed := spareManifest(ctx, st); failed == nil {
			m, err = spare, nil
		}
	}
	if err != nil {
		return nil, err
	}
	l := &Locked{storage: st, manifest: m, harmed: harmed}
	l.places, l.settings, err = listOwn(ctx, st)
	return l, err
}

// ID gives the identity that the repository claims. Nothing is proved yet.
func (l *Locked) ID() crypt.RepositoryID { return l.manifest.ID }

// Accept has the last word on a root key, by the slot that gave it, and by which place of the repository
// it is that was opened.
type Accept func(place string, root *crypt.RootKey, slot crypt.SlotID) error

// Unlock opens the repository by a key slot whose root key is that of kist.json.
func (l *Locked) Unlock(ctx context.Context, secret crypt.Secret, o crypt.UnlockOptions, accept Accept) (*Vault, error) {
	harmed := new(healed)
	root, slot, err := unlock(ctx, l.storage, l.manifest, secret, o, harmed)
	if err != nil {
		return nil, err
	}
	keys, err := root.Derive(l.manifest.ID)
	if err != nil {
		return nil, err
	}
	v, err := newVault(l.storage, l.manifest, root, keys, slot)
	if err != nil {
		return nil, err
	}
	v.settings.marks = l.settings
	v.healed = harmed
	if l.harmed != nil {
		v.healed.note(names.Manifest, l.harmed)
	}
	if v.place, err = v.provedPlace(ctx, l.places); err == nil {
		err = accept(v.place, root, slot.ID())
	}
	if err != nil {
		v.Close()
		return nil, err
	}
	return v, nil
}

func unlock(ctx context.Context, st storage.Storage, m *manifest, secret crypt.Secret, o crypt.UnlockOptions, harmed *healed) (*crypt.RootKey, *crypt.Slot, error) {
	asked := o.Check
	o.Check = func(root *crypt.RootKey) error {
		keys, err := root.Derive(m.ID)
		if err != nil {
			return err
		}
		defer keys.Wipe()
		if err := m.check(keys); err != nil || asked == nil {
			return err
		}
		return asked(root)
	}
	root, slot, failed := unlockFirst(ctx, st, m.ID, secret, o, harmed)
	if failed == nil {
		return root, slot, nil
	}
	documents, err := readSlotsToOpen(ctx, st, o.First, harmed)
	switch {
	case err != nil:
		return nil, nil, err
	case len(documents) == 1 && documents[0].ID == o.First && errors.Is(failed, crypt.ErrWrongSecret):
		return nil, nil, failed // a passphrase takes its time
	}
	return crypt.UnlockAny(ctx, documents, secret, m.ID, o)
}

// unlockFirst opens the repository by the slot that is to be tried first. Where that does, no slots are listed.
func unlockFirst(ctx context.Context, st storage.Storage, id crypt.RepositoryID, secret crypt.Secret, o crypt.UnlockOptions, harmed *healed) (*crypt.RootKey, *crypt.Slot, error) {
	if o.First == "" {
		return nil, nil, crypt.ErrNoSlot
	}
	b, err := readAll(ctx, st, names.KeySlot(string(o.First)), crypt.MaxSlotDocument)
	if err != nil {
		return nil, nil, err
	}
	document := slotOrSpare(ctx, st, crypt.SlotDocument{ID: o.First, Document: b}, harmed)
	return crypt.UnlockAny(ctx, []crypt.SlotDocument{document}, secret, id, o)
}
