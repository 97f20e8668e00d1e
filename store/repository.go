package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// Repository holds captures. Its methods may be called at the same time, in
// this and in other processes and machines.
type Repository struct {
	vault   *vault.Vault
	storage storage.Storage // the vault's
	slabs   *fetch.Slabs    // likewise
	made    time.Time
	average int
	grace   time.Duration
	recheck bool // frames are read back before they are sealed
	apart   Apart
	root    *crypt.RootKey
	opened  *atomic.Pointer[crypt.Slot] // the slot that did, or one made anew
	watch   *watch
	params  func() (chunk.Params, error) // derived on first use
	proofs  *proofs
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
	// NoRecheck has captures not read back what they compressed before they seal it. That
	// finds what a machine's memory changes between hashing and sealing, and takes some of the
	// processor time of a first capture, nothing of an unchanged one. It can't be changed later.
	NoRecheck bool
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
	if o.NoRecheck {
		m.Recheck = recheckOff
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
	return newRepository(st, m, root, keys, slot)
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

	// State is a folder of this machine for what it knows of repositories: by which
	// root key and key slot each was opened, and which captures this machine made or saw.
	// It is made if it is missing, and several repositories and processes may use it.
	// A repository that was exchanged or put back to an earlier state, and captures that
	// vanished or were exchanged, show by it; and files that did not change are taken
	// over from captures only that it says this machine made. It takes at most some 2 MiB
	// for each repository. "" keeps that for as long as the Repository is open.
	State string
	// AcceptNewRoot takes a repository with another root key than State says, and forgets
	// what was known of the one before. By default that is ErrStranger.
	AcceptNewRoot bool
	// Warn, if set, is told of what is not as this machine knows it, by whatever reads
	// the captures: a *LapseError, or an error that wraps ErrForgetful. It is called by
	// one goroutine at a time, each thing is told once, and nothing fails of it.
	Warn func(error)
}

// Open opens the repository in a storage with a passphrase or a key file. Close
// frees it.
//
// It fails with ErrNoRepository, ErrUnknownFormat, ErrWrongSecret,
// ErrDamagedSlot, crypt.ErrNoSlot, crypt.ErrForeignSlot (kist.json and the key
// slots are of different repositories), crypt.ErrSlotTooCheap, crypt.ErrSlotTooCostly,
// crypt.ErrForgedSlot, ErrTooManySlots, ErrStranger or ErrDamaged.
func Open(ctx context.Context, st storage.Storage, secret crypt.Secret, o OpenOptions) (*Repository, error) {
	m, err := readManifest(ctx, st)
	if err != nil {
		return nil, err
	}
	w := openWatch(o, m.ID)
	if o.Unlock.First == "" {
		o.Unlock.First = w.memory.Slot()
	}
	root, slot, err := unlock(ctx, st, m, secret, o.Unlock)
	if err != nil {
		return nil, err
	}
	keys, err := root.Derive(m.ID)
	if err != nil {
		return nil, err
	}
	if err := w.greet(o, root, m.ID, slot.ID()); err != nil {
		return nil, err
	}
	r, err := newRepository(st, m, root, keys, slot)
	if err != nil {
		return nil, err
	}
	r.watch = w
	if o.Cache != "" {
		r.vault.Keep(o.Cache, o.CacheSize)
	}
	return r, nil
}

// unlock opens a key slot whose root key is that of kist.json.
func unlock(ctx context.Context, st storage.Storage, m *manifest, secret crypt.Secret, o crypt.UnlockOptions) (*crypt.RootKey, *crypt.Slot, error) {
	documents, err := readSlotsToOpen(ctx, st, o.First)
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

func newRepository(st storage.Storage, m *manifest, root *crypt.RootKey, keys *crypt.Keys, slot *crypt.Slot) (*Repository, error) {
	v, err := vault.New(st, m.ID, keys)
	if err != nil {
		return nil, err
	}
	if a, ok := st.(anchored); ok {
		if err := a.SetAnchor(names.Manifest); err != nil {
			return nil, err
		}
	}
	if o, ok := st.(interface{ SetOptional(folders ...string) }); ok {
		o.SetOptional(names.Marks()...)
	}
	r := &Repository{
		vault: v, storage: st, slabs: v.Slabs(), made: m.Made, average: m.Average, grace: m.grace(), recheck: m.Recheck == "", apart: m.Apart,
		root: root, opened: new(atomic.Pointer[crypt.Slot]), proofs: new(proofs), watch: newWatch(),
		params: sync.OnceValues(func() (chunk.Params, error) { return m.params(keys) }),
	}
	r.opened.Store(slot)
	return r, nil
}

// anchored is a storage.Storage that can look whether a repository is still
// where it was before it writes: a share may go away and leave an empty folder.
type anchored interface{ SetAnchor(name string) error }

// Close wipes the keys and frees what reading took. It does not close the
// storage. What needs a key fails with ErrClosed from then on.
func (r *Repository) Close() error {
	r.vault.Close()
	r.root.Wipe()
	return nil
}

// ID gives the repository's identity, which is not secret.
func (r *Repository) ID() crypt.RepositoryID { return r.vault.ID() }

// Made gives when the repository was made.
func (r *Repository) Made() time.Time { return r.made }

// ChunkAverage gives the average length of a chunk, in bytes.
func (r *Repository) ChunkAverage() int { return r.average }

// Grace gives how long what was retired stays before Reclaim removes it.
func (r *Repository) Grace() time.Duration { return r.grace }

// Recheck tells whether captures read back what they compressed before they seal it.
func (r *Repository) Recheck() bool { return r.recheck }
