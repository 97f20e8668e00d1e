package vault

import (
	"errors"
	"sync"
	"sync/atomic"
	"time"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/cache"
)

// Vault is the objects of a repository that is open. Its methods may be called at the
// same time.
type Vault struct {
	storage  storage.Storage
	manifest *manifest
	place    string // see Place
	root     *crypt.RootKey
	keys     *crypt.Keys
	opened   *atomic.Pointer[crypt.Slot] // the slot that did, or one made anew
	slabs    *fetch.Slabs
	healed   *healed
	settings *changing                    // shared with those read afresh
	kept     *cache.Folder                // copies of small objects; nil: none
	bases    int64                        // see BasesToKeep
	params   func() (chunk.Params, error) // derived on first use
	large    chan struct{}                // held by those who read large objects
	fresh    *freshList                   // what was listed since Afresh; nil: the vault was not read afresh
}

func newVault(st storage.Storage, m *manifest, root *crypt.RootKey, keys *crypt.Keys, slot *crypt.Slot) (*Vault, error) {
	slabs, err := newSlabs(st, m.ID, keys)
	if err != nil {
		return nil, err
	}
	if a, ok := st.(storage.Anchored); ok {
		if err := a.SetAnchor(names.Manifest); err != nil && !errors.Is(err, errors.ErrUnsupported) {
			return nil, err
		}
	}
	if l, ok := st.(storage.Lenient); ok {
		l.SetOptional(append(names.Marks(), names.Spares)...)
	}
	v := &Vault{
		storage: st, manifest: m, root: root, keys: keys, opened: new(atomic.Pointer[crypt.Slot]), slabs: slabs, large: make(chan struct{}, largeAtOnce), settings: new(changing), healed: new(healed),
		params: sync.OnceValues(func() (chunk.Params, error) { return m.params(keys) }),
	}
	v.opened.Store(slot)
	return v, nil
}

// newSlabs gives what reads slabs, as many of them at a time as the storage likes.
func newSlabs(st storage.Storage, id crypt.RepositoryID, keys *crypt.Keys) (*fetch.Slabs, error) {
	slabs, err := fetch.New(st, id, keys)
	if p, ok := st.(storage.Parallel); ok && err == nil {
		_, reads := p.Parallel()
		slabs.ReadAhead(reads)
	}
	return slabs, err
}

// Puts gives how many slabs are worth being put at the same time; 0: the storage has no opinion.
func (v *Vault) Puts() int {
	if p, ok := v.storage.(storage.Parallel); ok {
		puts, _ := p.Parallel()
		return puts
	}
	return 0
}

// Afresh gives the vault without anything that was read before, and without copies on
// this machine. Its slabs are closed apart from those of v; everything else is v's.
func (v *Vault) Afresh() (*Vault, error) {
	slabs, err := newSlabs(v.storage, v.manifest.ID, v.keys)
	if err != nil {
		return nil, err
	}
	fresh := *v
	fresh.slabs, fresh.kept, fresh.fresh, fresh.healed = slabs, nil, newFreshList(), new(healed)
	return &fresh, nil
}

// Close frees what reading took, and wipes the keys. It does not close the storage.
func (v *Vault) Close() {
	v.slabs.Close()
	v.kept.Close() // nothing that matters is written there
	v.root.Wipe()
	v.keys.Wipe()
}

// Open fails with crypt.ErrKeysWiped after Close.
func (v *Vault) Open() error { return v.keys.Wiped() }

// ID gives the repository's identity, which is not secret.
func (v *Vault) ID() crypt.RepositoryID { return v.manifest.ID }

// Place gives the identity of this place of the repository, by its own mark; "" of the first one,
// which has none.
func (v *Vault) Place() string { return v.place }

// Made gives when the repository was made.
func (v *Vault) Made() time.Time { return v.manifest.Made }

// ChunkAverage gives the average length of a chunk, in bytes.
func (v *Vault) ChunkAverage() int { return v.manifest.Average }

// Params gives how contents are cut into chunks.
func (v *Vault) Params() (chunk.Params, error) { return v.params() }

// Grace gives the grace time.
func (v *Vault) Grace() time.Duration { return v.manifest.grace() }

// Recheck tells whether frames are read back before they are sealed.
func (v *Vault) Recheck() bool { return v.manifest.Recheck == "" }

// Apart tells how captures of different names are kept apart.
func (v *Vault) Apart() string { return v.manifest.Apart }

// Storage gives where the objects are.
func (v *Vault) Storage() storage.Storage { return v.storage }

// Keys gives the keys of the repository. They are wiped by Close.
func (v *Vault) Keys() *crypt.Keys { return v.keys }

// Slabs gives what reads slabs.
func (v *Vault) Slabs() *fetch.Slabs { return v.slabs }
