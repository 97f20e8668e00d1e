package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/cache"
)

// Repository holds captures. Its methods may be called at the same time, in
// this and in other processes and machines.
type Repository struct {
	storage storage.Storage
	id      crypt.RepositoryID
	made    time.Time
	average int
	grace   time.Duration
	apart   Apart
	root    *crypt.RootKey
	keys    *crypt.Keys
	slot    crypt.SlotID
	slabs   *fetch.Slabs
	kept    *cache.Folder                // copies of small objects; nil: none
	params  func() (chunk.Params, error) // derived on first use
}

// CreateOptions say how a repository is made.
type CreateOptions struct {
	// ChunkAverage is the average length of a chunk in bytes, a power of two
	// from chunk.MinAverage to chunk.MaxAverage; 0 means chunk.DefaultAverage.
	// Smaller chunks save space where little changes, larger ones take less
	// memory. It can't be changed later.
	ChunkAverage int
	// Grace is how long retired captures stay, and what nothing wants any more, before
	// Reclaim removes it: whole seconds, from a minute to 10 years; 0 means
	// DefaultGrace. It can't be changed later, but ReclaimOptions may say otherwise.
	Grace time.Duration
	// Apart keeps captures of different names from each other, for volumes that hold
	// what strangers put there. It can't be changed later.
	Apart Apart
	// Slot describes the first key slot.
	Slot crypt.SlotOptions
}

// Folders gives the folders that a repository is made of, for
// storage.CreateFolder.
func Folders() []string { return names.Folders() }

// Create makes a repository in an empty storage and opens it. Whoever loses
// secret, and every other one that AddSlot adds, loses all data.
//
// It fails with ErrExists where there is a repository, and with ErrBadOptions.
func Create(ctx context.Context, st storage.Storage, secret crypt.Secret, o CreateOptions) (*Repository, error) {
	if o.ChunkAverage == 0 {
		o.ChunkAverage = chunk.DefaultAverage
	}
	if err := checkAverage(o.ChunkAverage); err != nil {
		return nil, err
	}
	if err := checkGrace(o.Grace); err != nil {
		return nil, err
	}
	if !o.Apart.known() {
		return nil, fmt.Errorf("%w: captures apart in the way %.40q", ErrBadOptions, o.Apart)
	}
	if _, err := st.Stat(ctx, names.Manifest); err == nil {
		return nil, ErrExists
	} else if !errors.Is(err, storage.ErrNotFound) {
		return nil, err
	}
	root := crypt.NewRootKey()
	m := &manifest{
		Format: format.Version, ID: crypt.NewRepositoryID(),
		Made: time.Now().UTC().Truncate(time.Second), Average: o.ChunkAverage,
		Grace: int64(o.Grace / time.Second), Apart: o.Apart,
	}
	keys, err := root.Derive(m.ID)
	if err != nil {
		return nil, err
	}
	slot, err := newSlot(ctx, st, root, m.ID, secret, o.Slot)
	if err != nil {
		return nil, err
	}
	// The manifest comes last: only now is there a repository. Of two who race here,
	// one finds the other's.
	err = st.Put(ctx, names.Manifest, bytes.NewReader(m.seal(keys)))
	if errors.Is(err, storage.ErrExists) {
		return nil, ErrExists
	}
	if err != nil {
		return nil, err
	}
	// An interrupt comes too late: the repository is made.
	written, err := readManifest(context.WithoutCancel(ctx), st)
	if err != nil {
		return nil, err
	}
	if written.ID != m.ID {
		return nil, ErrExists
	}
	return newRepository(st, m, root, keys, slot.ID())
}

func checkAverage(n int) error {
	if n < chunk.MinAverage || n > chunk.MaxAverage || n&(n-1) != 0 {
		return fmt.Errorf("%w: an average chunk length of %d: it is a power of two from %d to %d bytes",
			ErrBadOptions, n, chunk.MinAverage, chunk.MaxAverage)
	}
	return nil
}

// Bounds of a grace time. Shorter than a minute, captures that are made meanwhile
// could not be told from what is left over.
const (
	minGrace = time.Minute
	maxGrace = 10 * 366 * 24 * time.Hour
)

func checkGrace(d time.Duration) error {
	if d != 0 && (d < minGrace || d > maxGrace || d%time.Second != 0) {
		return fmt.Errorf("%w: a grace time of %v: it is whole seconds, from %v to %v", ErrBadOptions, d, minGrace, maxGrace)
	}
	return nil
}

// OpenOptions bound what opening may cost, and say what is kept on this machine.
type OpenOptions struct {
	Unlock crypt.UnlockOptions

	// Cache is a folder of this machine for copies of the repository's small
	// objects, so that over a slow share only new ones are read; it is made if it is
	// missing. Several repositories and processes may use it, and it may be removed
	// at any moment. Copies are as sealed as the objects. Verify, Reclaim and Repair don't
	// use it. "" means none; where it can't be used, there is none either.
	Cache string
	// CacheSize is how many bytes of copies are kept for the repository, about;
	// 0 means cache.DefaultSize. What was used longest ago goes first.
	CacheSize int64
}

// Open opens the repository in a storage with a passphrase or a key file. Close
// frees it.
//
// It fails with ErrNoRepository, ErrUnknownFormat, ErrWrongSecret,
// ErrDamagedSlot, crypt.ErrNoSlot, crypt.ErrForeignSlot (kist.json and the key
// slots are of different repositories) or ErrDamaged.
func Open(ctx context.Context, st storage.Storage, secret crypt.Secret, o OpenOptions) (*Repository, error) {
	m, err := readManifest(ctx, st)
	if err != nil {
		return nil, err
	}
	documents, err := readSlots(ctx, st)
	if err != nil {
		return nil, err
	}
	root, slot, err := crypt.UnlockAny(ctx, documents, secret, m.ID, o.Unlock)
	if err != nil {
		return nil, err
	}
	keys, err := root.Derive(m.ID)
	if err != nil {
		return nil, err
	}
	if err := m.check(keys); err != nil {
		return nil, err
	}
	r, err := newRepository(st, m, root, keys, slot.ID())
	if err != nil {
		return nil, err
	}
	r.openCache(o)
	return r, nil
}

func newRepository(st storage.Storage, m *manifest, root *crypt.RootKey, keys *crypt.Keys, slot crypt.SlotID) (*Repository, error) {
	slabs, err := fetch.New(st, m.ID, keys)
	if err != nil {
		return nil, err
	}
	if a, ok := st.(anchored); ok {
		if err := a.SetAnchor(names.Manifest); err != nil {
			return nil, err
		}
	}
	return &Repository{
		storage: st, id: m.ID, made: m.Made, average: m.Average, grace: m.grace(), apart: m.Apart,
		root: root, keys: keys, slot: slot, slabs: slabs,
		params: sync.OnceValues(func() (chunk.Params, error) { return m.params(keys) }),
	}, nil
}

// anchored is a storage.Storage that can look whether a repository is still
// where it was before it writes: a share may go away and leave an empty folder.
type anchored interface{ SetAnchor(name string) error }

// Close forgets the keys and frees what reading took. It does not close the
// storage.
func (r *Repository) Close() error {
	r.slabs.Close()
	r.kept.Close() // nothing that matters is written there
	r.root.Wipe()
	return nil
}

// ID gives the repository's identity, which is not secret.
func (r *Repository) ID() crypt.RepositoryID { return r.id }

// Made gives when the repository was made.
func (r *Repository) Made() time.Time { return r.made }

// ChunkAverage gives the average length of a chunk, in bytes.
func (r *Repository) ChunkAverage() int { return r.average }

// Grace gives how long what was retired stays before Reclaim removes it.
func (r *Repository) Grace() time.Duration { return r.grace }
