package vault

import (
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
	return build(ctx, &Vault{storage: st, manifest: m, root: root, keys: keys}, secret, o, s)
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
