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
	documents, err := readSlotsToOpen(ctx, st, o.First, harmed)
	if err != nil {
		return nil, nil, err
	}
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
	return crypt.UnlockAny(ctx, documents, secret, m.ID, o)
}
