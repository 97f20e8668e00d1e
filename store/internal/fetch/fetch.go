// Package fetch reads chunks back out of slabs.
//
// Frames are fetched ahead of whoever reads, opened and decompressed by several
// workers, and kept in a cache of bounded size.
package fetch

import (
	"errors"
	"fmt"
	"io"
	"runtime"
	"sync"

	"github.com/klauspost/compress/zstd"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/cache"
)

const (
	cacheBytes = 12 << 20 // of decompressed frames: more finds hardly more, and is new memory
	// cacheBases takes its place once a frame is read that stands on others, but for bases of what is captured. Of a relational
	// server's volume of 287 MiB, after eight captures, 1,951 frames were decompressed with cacheBytes, 1,809 with this and 1,762
	// with twice as much, which took as much processor time: what a frame less costs, memory that is touched for the first time
	// costs as well.
	cacheBases = 32 << 20
	cacheSlabs = 64 << 20 // of opened slabs' tables
	cacheEnds  = 32 << 20 // of slabs' ends: over a share, what is looked at twice costs calls

	// tailGuess is how many bytes at a slab's end are read with its table: mostly lists
	// lie there too, and a slab of few changes is read whole. On a share a call
	// costs as much as some hundred KiB.
	tailGuess = SmallSlab
)

// SlabError says which slab, and where in it, could not be read.
type SlabError struct {
	Slab  format.SlabID
	Frame int // -1: the slab as a whole
	Err   error
}

func (e *SlabError) Error() string {
	if e.Frame < 0 {
		return fmt.Sprintf("%s: %v", names.Slab(e.Slab), e.Err)
	}
	return fmt.Sprintf("%s: frame %d: %v", names.Slab(e.Slab), e.Frame, e.Err)
}

func (e *SlabError) Unwrap() error { return e.Err }

func (e unopened) Error() string { return crypt.ErrDamaged.Error() }
func (e unopened) Unwrap() error { return e.error }

// ErrBase is in the error of a frame that can't be read since what it stands on can't: behind it comes the SlabError of that.
var ErrBase = errors.New("its base can't be read")

// AsDamage marks as damage what storage says of an object that must be there
// and is not, or not in full.
func AsDamage(err error) error {
	if !errors.Is(err, format.ErrDamaged) && (errors.Is(err, storage.ErrNotFound) || errors.Is(err, io.ErrUnexpectedEOF)) {
		return fmt.Errorf("%w: %w", format.ErrDamaged, err)
	}
	return err
}

// SmallSlab is how long a slab may be, in bytes, of which a copy is kept on this machine (see Keep).
const SmallSlab = 128 << 10

// Slabs reads the slabs of a repository. It is safe for concurrent use.
type Slabs struct {
	storage storage.Storage
	repo    crypt.RepositoryID
	keys    *crypt.Keys
	using   sync.RWMutex // held for writing to close
	closed  bool
	decoder *zstd.Decoder
	hashers chan *crypt.Hasher // of those who read ahead
	workers int
	reads   int           // see ReadAhead
	guess   int64         // see tailGuess
	kept    *cache.Folder // see Keep
	long    bool          // see Keep
	buffers buffers
	room    room
	healing healing

	mu      sync.Mutex
	length  func(format.SlabID) (int64, bool) // see Expect
	opening map[format.SlabID]*opening
	opened  *lru[format.SlabID, *Slab]
	ends    *lru[format.SlabID, *end] // of slabs
	frames  *lru[frameKey, *cachedFrame]
	ahead   *lru[format.SlabID, *ahead]
	bases   int64 // how many bytes of bases may yet be copied
}

// New gives a reader of slabs.
func New(st storage.Storage, repo crypt.RepositoryID, keys *crypt.Keys) (*Slabs, error) {
	workers := runtime.GOMAXPROCS(0)
	decoder, err := zstd.NewReader(nil,
		zstd.WithDecoderConcurrency(workers),
		zstd.WithDecoderMaxMemory(format.MaxFrameRaw),
		zstd.WithDecoderMaxWindow(format.MaxFrameRaw),
		zstd.WithDecodeAllCapLimit(true), // the buffer says how long a frame may be
	)
	if err != nil {
		return nil, err
	}
	s := &Slabs{
		storage: st, repo: repo, keys: keys, decoder: decoder, workers: workers, guess: tailGuess,
		hashers: make(chan *crypt.Hasher, workers), room: newRoom(workers),
		length:  func(format.SlabID) (int64, bool) { return 0, false },
		opening: make(map[format.SlabID]*opening),
		opened:  newLRU[format.SlabID, *Slab](cacheSlabs),
		ends:    newLRU[format.SlabID, *end](cacheEnds),
		frames:  newLRU[frameKey, *cachedFrame](cacheBytes),
		ahead:   newLRU[format.SlabID, *ahead](cacheAhead),
	}
	s.frames.dropped = s.forgotten
	for range workers {
		s.hashers <- keys.NewHasher()
	}
	return s, nil
}

// Close frees the decoder, once nobody uses it. Reading fails from then on: what
// was reading ahead may still be ending.
func (s *Slabs) Close() {
	s.using.Lock()
	defer s.using.Unlock()
	s.closed = true
	s.decoder.Close()
}

// Expect says how long slabs are, in bytes, so that Open need not ask. Several
// goroutines may call length.
func (s *Slabs) Expect(length func(format.SlabID) (int64, bool)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.length = length
}
