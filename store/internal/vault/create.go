package vault

import (
	"bytes"
	"context"
	"errors"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// Create makes a repository in an empty storage and opens it. It fails with ErrExists
// where there is a repository, and with ErrBadOptions.
func Create(ctx context.Context, st storage.Storage, secret crypt.Secret, s Settings, o crypt.SlotOptions) (*Vault, error) {
	if err := s.check(); err != nil {
		return nil, err
	}
	if err := checkEmpty(ctx, st); err != nil {
		return nil, err
	}
	root, m := crypt.NewRootKey(), newManifest(s)
	keys, err := root.Derive(m.ID)
	if err != nil {
		return nil, err
	}
	slot, err := newSlot(ctx, st, root, m.ID, secret, o)
	if err != nil {
		return nil, err
	}
	if err := keepReserve(ctx, st, s.Reserve); err != nil {
		return nil, err
	}
	bare := &Vault{storage: st, manifest: m, keys: keys, settings: new(changing)}
	// Before kist.json: a repository has from its beginning what was asked for.
	if err := s.putChanging(ctx, bare); err != nil {
		return nil, err
	}
	if err := putManifest(ctx, st, m, keys); err != nil {
		return nil, err
	}
	v, err := newVault(st, m, root, keys, slot)
	if err == nil {
		v.settings = bare.settings
		err = v.SpareWhatOpens(ctx)
	}
	return v, err
}

// checkEmpty fails with ErrExists where there is a repository.
func checkEmpty(ctx context.Context, st storage.Storage) error {
	_, err := st.Stat(ctx, names.Manifest)
	switch {
	case err == nil:
		return ErrExists
	case errors.Is(err, storage.ErrNotFound):
		return nil
	}
	return err
}

func newManifest(s Settings) *manifest {
	m := &manifest{
		Format: format.Version, ID: crypt.NewRepositoryID(),
		Made: time.Now().UTC().Truncate(time.Second), Average: s.Average,
		Grace: int64(s.Grace / time.Second), Apart: s.Apart,
	}
	if s.NoRecheck {
		m.Recheck = recheckOff
	}
	return m
}

// putManifest puts kist.json, which comes last: only now is there a repository. Of two who
// race here, one finds the other's.
func putManifest(ctx context.Context, st storage.Storage, m *manifest, keys *crypt.Keys) error {
	err := st.Put(ctx, names.Manifest, bytes.NewReader(m.seal(keys)))
	if errors.Is(err, storage.ErrExists) {
		return ErrExists
	}
	if err != nil {
		return err
	}
	// An interrupt comes too late: the repository is made.
	written, err := readManifest(context.WithoutCancel(ctx), st)
	if err == nil && written.ID != m.ID {
		err = ErrExists
	}
	return err
}
