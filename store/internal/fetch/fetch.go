// Package fetch reads chunks back out of slabs.
//
// Frames are fetched ahead of whoever reads, opened and decompressed by several
// workers, and kept in a cache of bounded size.
package fetch

import (
	"context"
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
	cacheSlabs = 64 << 20 // of opened slabs' tables
	cacheEnds  = 32 << 20 // of slabs' ends: over a share, what is looked at twice costs calls

	// tailGuess is how many bytes at a slab's end are read with its table: mostly lists
	// lie there too, and a slab of few changes is read whole. On a share a call
	// costs as much as some hundred KiB.
	tailGuess = 128 << 10
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

// unopened is a frame that can't be opened. A SlabError around it says where, so that its own text does not.
type unopened struct{ error }

func (e unopened) Error() string { return crypt.ErrDamaged.Error() }
func (e unopened) Unwrap() error { return e.error }

// AsDamage marks as damage what storage says of an object that must be there
// and is not, or not in full.
func AsDamage(err error) error {
	if !errors.Is(err, format.ErrDamaged) && (errors.Is(err, storage.ErrNotFound) || errors.Is(err, io.ErrUnexpectedEOF)) {
		return fmt.Errorf("%w: %w", format.ErrDamaged, err)
	}
	return err
}

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
	guess   int64         // see tailGuess
	kept    *cache.Folder // see Keep
	buffers buffers

	mu      sync.Mutex
	length  func(format.SlabID) (int64, bool) // see Expect
	opening map[format.SlabID]*opening
	opened  *lru[format.SlabID, *Slab]
	ends    *lru[format.SlabID, *[]byte] // the last bytes of slabs, or all
	frames  *lru[frameKey, *cachedFrame]
}

type frameKey struct {
	slab  format.SlabID
	frame int
}

// cachedFrame is a decompressed frame, there once ready is closed.
type cachedFrame struct {
	ready chan struct{}
	raw   []byte
	err   error
	loan
}

// New gives a reader of slabs.
func New(st storage.Storage, repo crypt.RepositoryID, keys *crypt.Keys) (*Slabs, error) {
	workers := runtime.GOMAXPROCS(0)
	decoder, err := zstd.NewReader(nil,
		zstd.WithDecoderConcurrency(workers),
		zstd.WithDecoderMaxMemory(format.MaxFrameRaw),
		zstd.WithDecoderMaxWindow(format.MaxFrameRaw),
	)
	if err != nil {
		return nil, err
	}
	s := &Slabs{
		storage: st, repo: repo, keys: keys, decoder: decoder, workers: workers, guess: tailGuess,
		hashers: make(chan *crypt.Hasher, workers),
		length:  func(format.SlabID) (int64, bool) { return 0, false },
		opening: make(map[format.SlabID]*opening),
		opened:  newLRU[format.SlabID, *Slab](cacheSlabs),
		ends:    newLRU[format.SlabID, *[]byte](cacheEnds),
		frames:  newLRU[frameKey, *cachedFrame](cacheBytes),
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

// decode decompresses a frame.
func (s *Slabs) decode(packed, buf []byte) ([]byte, error) {
	s.using.RLock()
	defer s.using.RUnlock()
	if s.closed {
		return nil, crypt.ErrKeysWiped
	}
	raw, err := s.decoder.DecodeAll(packed, buf)
	if err != nil {
		err = fmt.Errorf("%w: %w", format.ErrDamaged, err)
	}
	return raw, err
}

// Slab is an opened slab.
type Slab struct {
	ID       format.SlabID
	Length   int64
	Frames   []format.Frame
	Group    []byte // nil: none
	Trailers int    // how many of the two copies of its trailer are intact

	opener  *crypt.Opener
	offsets []int64  // of the frames in the slab
	first   []uint32 // number of each frame's first chunk
	chunks  uint32
}

// memory gives about how many bytes of memory a slab takes.
func (slab *Slab) memory() int { return 200 + 100*len(slab.Frames) + 4*int(slab.chunks) }

// openFrame gives what is compressed in a frame, within sealed, which is as long as
// the frame. Where an end that was kept does not open, the slab itself decides.
func (s *Slabs) openFrame(ctx context.Context, slab *Slab, n int, sealed []byte) ([]byte, error) {
	off := slab.offsets[n]
	piece := crypt.Piece{Kind: crypt.PieceFrame, Number: uint64(n)}
	s.mu.Lock()
	end, ok := s.ends.get(slab.ID)
	s.mu.Unlock()
	if ok && off >= slab.Length-int64(len(*end)) {
		copy(sealed, (*end)[off-(slab.Length-int64(len(*end))):])
		if packed, err := slab.opener.Open(sealed[:0], sealed, piece); err == nil {
			return packed, nil
		}
		s.mu.Lock()
		s.ends.remove(slab.ID, end)
		s.mu.Unlock()
		s.kept.Drop(names.Slab(slab.ID))
	}
	if err := s.storage.ReadAt(ctx, names.Slab(slab.ID), sealed, off); err != nil {
		return nil, err
	}
	packed, err := slab.opener.Open(sealed[:0], sealed, piece)
	if err != nil {
		return nil, unopened{errors.Join(format.ErrDamaged, err)}
	}
	return packed, nil
}

// Expect says how long slabs are, in bytes, so that Open need not ask. Several
// goroutines may call length.
func (s *Slabs) Expect(length func(format.SlabID) (int64, bool)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.length = length
}

// Keep has small slabs copied into a cache. It is called before anything is read.
func (s *Slabs) Keep(kept *cache.Folder) { s.kept = kept }

// opening is a slab that somebody opens just now; it is there once done is closed.
type opening struct {
	done chan struct{}
	slab *Slab
	err  error
}

// Open reads the header, the trailer and the table of a slab. Of several who ask
// for a slab at once, one reads.
func (s *Slabs) Open(ctx context.Context, id format.SlabID) (*Slab, error) {
	for {
		s.mu.Lock()
		slab, ok := s.opened.get(id)
		if ok {
			s.mu.Unlock()
			return slab, nil
		}
		o, others := s.opening[id]
		if !others {
			o = &opening{done: make(chan struct{})}
			s.opening[id] = o
		}
		s.mu.Unlock()
		if !others {
			s.openFor(ctx, id, o)
			return o.slab, o.err
		}
		select {
		case <-o.done:
			if o.err == nil {
				return o.slab, nil
			}
			// Whoever was first may have been told to stop: ask again.
		case <-ctx.Done():
			return nil, &SlabError{id, -1, context.Cause(ctx)}
		}
	}
}

func (s *Slabs) openFor(ctx context.Context, id format.SlabID, o *opening) {
	o.slab, o.err = s.open(ctx, id)
	if o.err != nil {
		o.slab, o.err = nil, &SlabError{id, -1, AsDamage(o.err)}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.opening, id)
	if o.err == nil {
		s.opened.put(id, o.slab, o.slab.memory())
	}
	close(o.done)
}

func (s *Slabs) open(ctx context.Context, id format.SlabID) (*Slab, error) {
	s.mu.Lock()
	expected := s.length
	s.mu.Unlock()
	if length, ok := expected(id); ok {
		if slab, err := s.openSized(ctx, id, length); err == nil || ctx.Err() != nil {
			return slab, err
		}
		// It may have been listed wrongly.
	}
	info, err := s.storage.Stat(ctx, names.Slab(id))
	if err != nil {
		return nil, err
	}
	return s.openSized(ctx, id, info.Size)
}

// openSized opens a slab of that length. A small one is read at once, and its copy
// serves if there is one that opens.
func (s *Slabs) openSized(ctx context.Context, id format.SlabID, length int64) (*Slab, error) {
	if length > format.MaxSlab {
		return nil, fmt.Errorf("%w: a slab of %d bytes", format.ErrDamaged, length)
	}
	if length > s.guess {
		return s.openFrom(ctx, s.storage.ReadAt, id, length)
	}
	if file := s.kept.Reader(names.Slab(id), length); file != nil {
		slab, err := s.openFrom(ctx, func(_ context.Context, _ string, p []byte, off int64) error {
			_, err := file.ReadAt(p, off)
			return err
		}, id, length)
		file.Close()
		if err == nil {
			return slab, nil
		}
		s.kept.Drop(names.Slab(id))
	}
	slab, err := s.openFrom(ctx, s.storage.ReadAt, id, length)
	if err == nil && s.kept != nil {
		s.mu.Lock()
		end, ok := s.ends.get(id)
		s.mu.Unlock()
		if ok {
			s.kept.Add(names.Slab(id), *end)
		}
	}
	return slab, err
}

// openFrom opens a slab by reading it with read.
func (s *Slabs) openFrom(ctx context.Context, read func(ctx context.Context, name string, p []byte, off int64) error, id format.SlabID, length int64) (*Slab, error) {
	head := make([]byte, min(format.MaxHeader, length))
	if length <= s.guess {
		head = make([]byte, length)
	}
	if err := read(ctx, names.Slab(id), head, 0); err != nil {
		return nil, err
	}
	h, n, err := format.ParseHeader(head[:min(format.MaxHeader, length)], format.Slab)
	if err != nil {
		return nil, err
	}
	opener, err := h.Open(s.keys, s.object(id))
	if err != nil {
		return nil, err
	}
	slab := &Slab{ID: id, Length: length, opener: opener}
	tail := head
	if int64(len(head)) < length {
		tail = make([]byte, min(s.guess, length))
		if err := read(ctx, names.Slab(id), tail, length-int64(len(tail))); err != nil {
			return nil, err
		}
	}
	if err := s.readTable(ctx, slab, tail, int64(n)); err != nil {
		return nil, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.ends.put(id, &tail, len(tail))
	return slab, nil
}

func (s *Slabs) object(id format.SlabID) crypt.ObjectName {
	return crypt.ObjectName{Repository: s.repo, Kind: format.Slab.String(), Name: id.String()}
}

// readTable reads the table at the slab's end, tail or more; its frames begin at
// byte start.
func (s *Slabs) readTable(ctx context.Context, slab *Slab, tail []byte, start int64) error {
	if len(tail) < format.TrailerSize {
		return fmt.Errorf("%w: the slab is cut short", format.ErrDamaged)
	}
	trailer, intact, err := format.ParseTrailer(tail[len(tail)-format.TrailerSize:], slab.Length, slab.opener)
	if err != nil {
		return err
	}
	slab.Trailers = intact
	n := slab.Length - int64(trailer.Sections)
	if n > int64(len(tail)) {
		tail = make([]byte, n)
		if err := s.storage.ReadAt(ctx, names.Slab(slab.ID), tail, int64(trailer.Sections)); err != nil {
			return err
		}
	}
	sections := tail[int64(len(tail))-n : len(tail)-format.TrailerSize]
	sealed, err := format.FindTable(sections)
	if err != nil {
		return err
	}
	plain, err := slab.opener.Open(nil, sealed, crypt.Piece{Kind: crypt.PieceSection, Number: uint64(format.TableSection)})
	if err != nil {
		return fmt.Errorf("%w: its table: %w", format.ErrDamaged, err)
	}
	table, err := format.DecodeSlabTable(plain)
	if err != nil {
		return err
	}
	slab.Group = table.Group
	return slab.layOut(table.Frames, start, int64(trailer.Sections))
}

// layOut finds out where each frame lies, between the bytes start and end.
func (slab *Slab) layOut(frames []format.Frame, start, end int64) error {
	slab.Frames = frames
	for i := range frames {
		slab.offsets = append(slab.offsets, start)
		slab.first = append(slab.first, slab.chunks)
		start += int64(frames[i].Sealed)
		slab.chunks += uint32(len(frames[i].Chunks))
	}
	if start != end {
		return fmt.Errorf("%w: the slab's frames end at byte %d and its table says %d", format.ErrDamaged, end, start)
	}
	return nil
}

// Chunks gives the number of chunks in the slab.
func (slab *Slab) Chunks() uint32 { return slab.chunks }

// ChunkLength gives the length of a chunk by its number within the slab.
func (slab *Slab) ChunkLength(chunk uint32) (int, bool) {
	if chunk >= slab.chunks {
		return 0, false
	}
	frame := slab.frameOf(chunk)
	return int(slab.Frames[frame].Chunks[chunk-slab.first[frame]]), true
}

// FirstChunk gives the number, within the slab, of a frame's first chunk.
func (slab *Slab) FirstChunk(frame int) uint32 { return slab.first[frame] }

// FrameOf gives the frame in which a chunk lies that the slab has.
func (slab *Slab) FrameOf(chunk uint32) int { return slab.frameOf(chunk) }

// Frame gives the decompressed bytes of a frame, which the caller must not
// change.
func (s *Slabs) Frame(ctx context.Context, slab *Slab, n int) ([]byte, error) {
	key := frameKey{slab.ID, n}
	s.mu.Lock()
	f, ok := s.frames.get(key)
	if !ok {
		f = &cachedFrame{ready: make(chan struct{})}
		s.frames.put(key, f, slab.Frames[n].Raw())
	}
	f.kept = true
	s.mu.Unlock()
	if !ok {
		f.raw, f.err = s.ReadFrame(ctx, slab, n, nil)
		if f.err != nil {
			s.mu.Lock()
			s.frames.remove(key, f)
			s.mu.Unlock()
		}
		close(f.ready)
		return f.raw, f.err
	}
	select {
	case <-f.ready:
		if f.err != nil && ctx.Err() == nil {
			// The reader that was first may have been told to stop: ask again.
			return s.ReadFrame(ctx, slab, n, nil)
		}
		return f.raw, f.err
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	}
}

// ReadFrame reads, opens and decompresses a frame past the cache, into buf if
// that has room.
func (s *Slabs) ReadFrame(ctx context.Context, slab *Slab, n int, buf []byte) ([]byte, error) {
	f := &slab.Frames[n]
	fail := func(err error) ([]byte, error) { return nil, &SlabError{slab.ID, n, AsDamage(err)} }
	if f.Kind != format.Zstd {
		return fail(fmt.Errorf("%w: frame kind %d", format.ErrUnknownPart, f.Kind))
	}
	sealed := s.buffers.sealed(int(f.Sealed))
	packed, err := s.openFrame(ctx, slab, n, sealed)
	if err != nil {
		return fail(err)
	}
	if cap(buf) < f.Raw() {
		buf = make([]byte, 0, f.Raw()+slack)
	}
	raw, err := s.decode(packed, buf[:0])
	s.buffers.sealedDone(sealed) // not after a read that failed, and may go on
	if err != nil {
		return fail(err)
	}
	if len(raw) != f.Raw() {
		return fail(fmt.Errorf("%w: %d bytes where the table says %d", format.ErrDamaged, len(raw), f.Raw()))
	}
	return raw, nil
}
