package store

import (
	"context"
	"time"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/check"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/give"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/mend"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/reclaim"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/take"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
	"github.com/kistarchive/kist/store/internal/weigh"
	"github.com/kistarchive/kist/store/storage"
)

// Repository holds captures. Its methods may be called at the same time, in
// this and in other processes and machines.
type Repository struct {
	vault    *vault.Vault
	slabs    *fetch.Slabs // the vault's
	ledger   *ledger.Ledger
	leases   *lease.Leases
	stock    *stock.Stock
	reader   *weave.Reader
	scales   *weigh.Scales
	giver    *give.Giver
	taker    *take.Taker
	keeper   *reclaim.Keeper
	mender   *mend.Mender
	verifier *check.Verifier

	warning *guard // of OpenOptions.Warn
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
	// Reserve is how many bytes are kept on the medium, up to [MaxReserve], for when it is full: Retire and Reclaim give
	// them back where they find no room for marks, without which nothing can be freed. 0 means none, and then a full
	// medium needs room from elsewhere. DefaultReserve is enough for some ten of either.
	Reserve int64
	// Parity is how much parity slabs get, in percent: see [Repository.SetParity], which changes it; 0: none.
	Parity int
	// Deltas says which contents are stored as what differs from others: see [Repository.SetDeltas], which changes it.
	Deltas Deltas
	// Slot describes the first key slot.
	Slot crypt.SlotOptions
	// Host is where it is done, for people; it is kept with Parity and Deltas.
	Host string
}

// DefaultReserve is a reserve of a usual length, and MaxReserve the longest one, in bytes.
const (
	DefaultReserve = 4 * vault.ReservePiece
	MaxReserve     = vault.MaxReserve
)

// Folders gives the folders that a repository is made of, for
// [storage.CreateFolder].
func Folders() []string { return names.Folders() }

// Create makes a repository in an empty storage and opens it. Whoever loses
// secret, and every other one that [Repository.AddSlot] adds, loses all data.
//
// It fails with [ErrExists] where there is a repository, and with [ErrBadOptions]. What it put before it failed it takes back; where it
// can't, [ErrLeft] is among the errors.
func Create(ctx context.Context, st storage.Storage, secret crypt.Secret, o CreateOptions) (r *Repository, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := ended(ctx); err != nil {
		return nil, err
	}
	if o.ChunkAverage == 0 {
		o.ChunkAverage = chunk.DefaultAverage
	}
	v, err := vault.Create(ctx, st, secret, vault.Settings{
		Average: o.ChunkAverage, Grace: o.Grace, NoRecheck: o.NoRecheck, Apart: string(o.Apart), Reserve: o.Reserve, Parity: o.Parity, Deltas: string(o.Deltas), Host: o.Host,
	}, o.Slot)
	if err != nil {
		return nil, err
	}
	return newRepository(v, ledger.NewWatch(), newGuard()), nil
}

// OpenOptions bound what opening may cost, and say what is kept on this machine.
type OpenOptions struct {
	Unlock crypt.UnlockOptions

	// Cache is a folder of this machine for copies of the repository's small
	// objects, so that over a slow share only new ones are read; it is made if it is
	// missing. Several repositories and processes may use it, and it may be removed
	// at any moment. Copies are as sealed as the objects. Verify, Reclaim and Repair don't
	// use it. "" means none; where it can't be used, there is none either.
	// With it, and with State, a capture of what did not change reads nothing that others wrote, and where the storage is a
	// [storage.AfterLister], it lists of their captures what came since the day before.
	Cache string
	// CacheSize is how many bytes of copies are kept for the repository, about;
	// 0 means cache.DefaultSize. What was used longest ago goes first.
	CacheSize int64
	// KeepBases keeps copies of longer objects as well: where deltas are on, of what each capture puts and of what it reads
	// back, up to a quarter of CacheSize each, so that the next one need not read what it says its contents by; and of the
	// ends of slabs. It is for a storage that is slow to read, as one on a share. Whatever reads contents reads such copies,
	// too, but for what does not use the Cache.
	KeepBases bool

	// IndexMemory is how many bytes of memory a capture has for what is known of the chunks that were there before,
	// about; 0 means DefaultIndexMemory, by which all is known of 4 million chunks. Where there are more, samples are
	// kept, and what lies about one that is met again is read again, from copies in Cache if there is one. What is not
	// found so, some per mille, is stored once more. Each chunk that a capture adds takes some 28 bytes besides until
	// it ends; and Usage, Compare, Reclaim and Repair, which must know all, take 27 for each that there is.
	IndexMemory int64

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
	// one goroutine at a time, each thing is told once, and nothing fails of it. It must not call
	// the Repository.
	Warn func(error)
}

// Found is a repository that was found and is not open yet. It holds nothing that must be freed, and its method may be called several
// times, also at the same time. It opens the repository with the settings that it had when it was found: who waits for a person meanwhile
// finds it again.
type Found struct{ locked *vault.Locked }

// Find finds the repository in a storage, for whoever asks a person for a secret only where there is something to open. Nothing of it
// is proved yet.
//
// It fails with [ErrNoRepository], [ErrUnknownFormat], [ErrDamaged], or a *storage.Error.
func Find(ctx context.Context, st storage.Storage) (f *Found, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := ended(ctx); err != nil {
		return nil, err
	}
	l, err := vault.Find(ctx, st)
	if err != nil {
		return nil, err
	}
	return &Found{l}, nil
}

// Open finds the repository in a storage and opens it, as [Found.Open] does.
//
// It fails with what [Find] and [Found.Open] fail with.
func Open(ctx context.Context, st storage.Storage, secret crypt.Secret, o OpenOptions) (*Repository, error) {
	f, err := Find(ctx, st)
	if err != nil {
		return nil, err
	}
	return f.Open(ctx, secret, o)
}

// Open opens the repository with a passphrase or a key file. Close frees it.
//
// It fails with [ErrWrongSecret],
// [ErrDamagedSlot], [crypt.ErrNoSlot], [crypt.ErrForeignSlot] (kist.json and the key
// slots are of different repositories), [crypt.ErrSlotTooCheap], [crypt.ErrSlotTooCostly],
// [crypt.ErrForgedSlot], [ErrTooManySlots], [ErrStranger] or [ErrDamaged].
func (f *Found) Open(ctx context.Context, secret crypt.Secret, o OpenOptions) (r *Repository, err error) {
	ctx, g := guarded(ctx)
	defer g.finish(&err)
	if err := ended(ctx); err != nil {
		return nil, err
	}
	l, warning := f.locked, newGuard()
	watch := func(place string) *ledger.Watch {
		return ledger.OpenWatch(o.State, warning.warn(o.Warn), l.ID(), place)
	}
	claimed := l.Place()
	w := watch(claimed)
	if o.Unlock.First == "" {
		o.Unlock.First = w.Memory.Slot()
	}
	o.Unlock.Check = g.check(o.Unlock.Check)
	v, err := l.Unlock(ctx, secret, o.Unlock, func(place string, root *crypt.RootKey, slot crypt.SlotID) error {
		if place != claimed {
			w = watch(place)
		}
		return w.Greet(o.AcceptNewRoot, root, l.ID(), slot)
	})
	if err != nil {
		return nil, err
	}
	if err := g.failed(); err != nil {
		v.Close()
		return nil, err
	}
	if o.Cache != "" {
		v.Keep(o.Cache, o.CacheSize, o.KeepBases)
	}
	r = newRepository(v, w, warning)
	r.stock.IndexMemory = o.IndexMemory
	return r, nil
}

// DefaultIndexMemory is what OpenOptions.IndexMemory usually is, in bytes.
const DefaultIndexMemory = known.DefaultMemory

func newRepository(v *vault.Vault, w *ledger.Watch, warning *guard) *Repository {
	r := over(stock.New(v, w))
	r.warning = warning
	return r
}

// over gives a repository by its stock.
func over(s *stock.Stock) *Repository {
	v := s.Vault()
	return &Repository{
		vault: v, slabs: v.Slabs(), ledger: s.Ledger(), leases: s.Leases(), stock: s, reader: weave.NewReader(v),
		taker: take.New(s), giver: give.New(s), verifier: check.New(s), mender: mend.New(s), keeper: reclaim.New(s), scales: weigh.New(s),
	}
}

// Close wipes the keys and frees what reading took. It does not close the
// storage. What needs a key fails with [ErrClosed] from then on, also what is under way. It may be
// called again, and fails only with a *[CallbackPanic] of OpenOptions.Warn.
func (r *Repository) Close() error {
	r.vault.Close()
	return r.warning.failed()
}

// ID gives the repository's identity, which is not secret.
func (r *Repository) ID() crypt.RepositoryID { return r.vault.ID() }

// Made gives when the repository was made.
func (r *Repository) Made() time.Time { return r.vault.Made() }

// ChunkAverage gives the average length of a chunk, in bytes.
func (r *Repository) ChunkAverage() int { return r.vault.ChunkAverage() }

// Grace gives how long what was retired stays before [Repository.Reclaim] removes it.
func (r *Repository) Grace() time.Duration { return r.vault.Grace() }

// Recheck tells whether captures read back what they compressed before they seal it.
func (r *Repository) Recheck() bool { return r.vault.Recheck() }
