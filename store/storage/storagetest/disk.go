package storagetest

import (
	"errors"
	"io/fs"
	"math/rand/v2"
	"slices"
	"sync"
	"syscall"
	"time"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/files"
)

// ErrCrashed is what all calls of a [Disk] return from its crash to its restart, and
// those of a Folder that was opened before the crash for ever.
var ErrCrashed = errors.New("the power failed")

// Disk is a simulated disk, or share, with one folder for a repository. It gives
// [storage.Folder], the very one that works on real disks, another file system, which
// knows what a power failure leaves:
//
//   - What was written to a file and not flushed by Sync may be there or not, may be
//     cut short at any place, or be zeros, block by block.
//   - What was made, renamed or removed in a folder and not flushed by SyncFolder may
//     have happened or not, each name by itself: of a rename, the file may be found
//     under either name, both, or none.
//
// Beside that, calls fail, hang or lie (Inject), the space is bounded (Space), the
// share goes away and comes back (Away, Back), and listings lag behind (Lag). A call
// is one of the methods that the second half of the [Method] constants names, and is
// counted and named by its path below the repository's folder.
//
// What survives is chosen by a seed: the same seed and the same calls in the same
// order leave the same. A Disk may be used by any number of goroutines.
type Disk struct {
	script

	mu      sync.Mutex
	seed    uint64
	now     func() time.Time
	top     *inode // the repository's folder is in it
	births  int
	changes int
	crashAt int // -1: not
	crashed bool
	space   int64 // bytes; -1: without end
	lag     int   // calls
	reading int   // files open for reading
	away    error
	isAway  bool
	forsake bool          // as a CIFS client does
	back    chan struct{} // closed by Back
}

// NewDisk gives an empty disk, whose crashes choose by the seed.
func NewDisk(seed uint64) *Disk {
	d := &Disk{seed: seed, now: time.Now, crashAt: -1, space: -1, back: make(chan struct{})}
	d.top = d.newInode(true)
	return d
}

// Create makes the repository's folder, by [storage.CreateFolderAt].
func (d *Disk) Create(kinds ...string) (*storage.Folder, error) {
	return storage.CreateFolderAt(place{d}, kinds...)
}

// Open opens the repository's folder, by [storage.OpenFolderAt].
func (d *Disk) Open() (*storage.Folder, error) { return storage.OpenFolderAt(place{d}) }

// Place gives where the repository's folder is on the disk, for [storage.OpenFolderAt].
func (d *Disk) Place() files.Place { return place{d} }

// CrashAt has the power fail at the n-th call from now on that changes something on
// the disk, counted from 0. That call, and all after it of any kind, return
// [ErrCrashed]; that one may have been done, or a part of it. Calls that only read are
// not counted: a power failure at one leaves what it leaves at the next change.
func (d *Disk) CrashAt(n int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.crashAt = d.changes + n
}

// Changes gives how many calls there were that change something on the disk, those
// that failed included.
func (d *Disk) Changes() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.changes
}

// Crashed reports whether the power has failed, and Restart has not been called.
func (d *Disk) Crashed() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.crashed
}

// Restart turns the power off, if it has not failed, and on again: what survives is
// there, all of it flushed. A Folder opened before is of no more use. The next
// restart chooses anew.
func (d *Disk) Restart() {
	left := d.Survivor(d.nextSeed())
	d.mu.Lock()
	defer d.mu.Unlock()
	d.top, d.births = left.top, left.births
	d.crashed, d.crashAt = false, -1
}

func (d *Disk) nextSeed() uint64 {
	d.mu.Lock()
	defer d.mu.Unlock()
	seed := d.seed
	d.seed = rand.New(rand.NewPCG(seed, 1)).Uint64()
	return seed
}

// Survivor gives a disk with what a power failure right now might leave, and leaves
// this one as it is, so that many can be looked at. Seed 0 loses all that can be
// lost, seed 1 nothing; others choose for each file, name and block.
func (d *Disk) Survivor(seed uint64) *Disk {
	d.mu.Lock()
	defer d.mu.Unlock()
	left := NewDisk(seed)
	left.now, left.space = d.now, d.space
	s := survival{disk: left, done: map[*inode]*inode{}, chance: chooser(seed)}
	left.top = s.folder(d.top)
	return left
}

// Fork gives a copy of the disk, with what is flushed and what is not. Faults, and a
// crash that is to come, are not copied.
func (d *Disk) Fork() *Disk {
	d.mu.Lock()
	defer d.mu.Unlock()
	fork := NewDisk(d.seed)
	fork.now, fork.space, fork.lag, fork.births, fork.changes, fork.forsake = d.now, d.space, d.lag, d.births, d.changes, d.forsake
	fork.top = copyTree(d.top, map[*inode]*inode{})
	return fork
}

// SetNow sets the clock of the medium, which is time.Now at first.
func (d *Disk) SetNow(now func() time.Time) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.now = now
}

// Space bounds how many bytes can be written from now on, beside those that removing
// files frees; a write that does not fit writes what does, and fails with ENOSPC.
// Less than 0 ends that.
func (d *Disk) Space(bytes int64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.space = max(bytes, -1)
}

// Lag has listings show which files there were so many changing calls ago. 0 ends that.
func (d *Disk) Lag(changes int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.lag = changes
}

// Away takes the share away: all calls return err, or, if that is nil, do not return
// until Back is called, and are done then. Files that are open stay so.
func (d *Disk) Away(err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.away, d.isAway = err, true
}

// Forsake makes it a share whose client may give up what was not flushed: files.Forsaking. It counts for folders that are opened
// later.
func (d *Disk) Forsake() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.forsake = true
}

// Back brings the share back, and ends the waiting of calls that hang.
func (d *Disk) Back() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.away, d.isAway = nil, false
	close(d.back)
	d.back = make(chan struct{})
}

// OpenFiles gives how many files are open for reading.
func (d *Disk) OpenFiles() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.reading
}

// Truncate cuts an object's file to its first bytes, behind the back of everybody, as
// a medium does that loses the rest. It is no call.
func (d *Disk) Truncate(name string, size int64) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	node, err := (&mounted{d, d.top, d.top}).find(repository + "/" + name)
	if err != nil {
		return &fs.PathError{Op: "truncate", Path: name, Err: err}
	}
	node.content = slices.Clip(node.content[:min(size, int64(len(node.content)))])
	node.flushed = node.content
	return nil
}

// await waits while the share does not answer. It returns Away's error.
func (d *Disk) await(fault *Fault) error {
	d.mu.Lock()
	away, err, back := d.isAway, d.away, d.back
	d.mu.Unlock()
	if away && err != nil {
		return err
	}
	if away || fault.has(Hang) {
		<-back
	}
	return nil
}

// spend takes room for n bytes, or for as many as there is. It needs d.mu to be held.
func (d *Disk) spend(n int) (int, error) {
	if d.space < 0 {
		return n, nil
	}
	room := int(min(int64(n), d.space))
	d.space -= int64(room)
	if room < n {
		return room, syscall.ENOSPC
	}
	return n, nil
}

// release gives the room of a file back. It needs d.mu to be held.
func (d *Disk) release(node *inode) {
	if d.space >= 0 {
		d.space += int64(len(node.content))
	}
}

// newInode needs d.mu to be held, or the disk to be nobody else's.
func (d *Disk) newInode(folder bool) *inode {
	d.births++
	node := &inode{born: d.births, folder: folder, modified: d.now()}
	if folder {
		node.entries = map[string]*entry{}
	}
	return node
}
