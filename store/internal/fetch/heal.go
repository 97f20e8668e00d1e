package fetch

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"sync"
	"syscall"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/parity"
	"github.com/kistarchive/kist/store/storage"
)

// healing is what is known of slabs that are damaged, and of their parity. One slab is in memory as it
// was written: who reads on in it finds it there.
type healing struct {
	mu     sync.Mutex // held while a slab is healed: one at a time
	id     format.SlabID
	whole  []byte // of it; nil: none
	beyond map[format.SlabID]bool

	seen   sync.Mutex
	causes map[format.SlabID]error
}

// ErrBeyond is returned for a slab that its parity can't heal, or that has none.
var ErrBeyond = parity.ErrBeyond

// Healed gives the slabs that were read through their parity, and what was damaged in each.
func (s *Slabs) Healed() map[format.SlabID]error {
	s.healing.seen.Lock()
	defer s.healing.seen.Unlock()
	return maps.Clone(s.healing.causes)
}

func (h *healing) note(id format.SlabID, cause error) {
	h.seen.Lock()
	defer h.seen.Unlock()
	if h.causes == nil {
		h.causes = make(map[format.SlabID]error)
	}
	if h.causes[id] == nil {
		h.causes[id] = cause
	}
}

// openHealed opens a slab that is damaged by what its parity heals, or gives the cause back.
func (s *Slabs) openHealed(ctx context.Context, id format.SlabID, cause error) (*Slab, error) {
	whole, err := s.heal(ctx, id, cause)
	if err != nil {
		return nil, orCause(err, cause)
	}
	return s.openFrom(ctx, bytesOf(whole), id, int64(len(whole)))
}

// openHealedFrame is openFrame for a frame that is damaged.
func (s *Slabs) openHealedFrame(ctx context.Context, slab *Slab, n int, sealed []byte, cause error) ([]byte, error) {
	if !slab.HasParity() {
		return nil, cause
	}
	whole, err := s.heal(ctx, slab.ID, &SlabError{slab.ID, n, cause})
	if err == nil && int64(len(whole)) != slab.Length {
		err = ErrBeyond
	}
	if err != nil {
		return nil, orCause(err, cause)
	}
	copy(sealed, whole[slab.offsets[n]:])
	return slab.unseal(n, sealed)
}

var errGone = errors.New("the slab is gone")

// orCause gives the cause of healing, where healing failed only since nothing heals.
func orCause(err, cause error) error {
	if errors.Is(err, ErrBeyond) || errors.Is(err, errGone) {
		return cause
	}
	return err
}

// Whole gives a slab as it was written, whatever is damaged in it that its parity heals, and whatever of its
// parity the rest tells: all of it, proved by its seals. The cause, damage or nil, is noted for Healed. It fails with
// ErrBeyond. The bytes are not to be changed.
func (s *Slabs) Whole(ctx context.Context, id format.SlabID, cause error) ([]byte, error) {
	return s.heal(ctx, id, cause)
}

// heal reads a slab and heals it. Where the cause is no damage, it gives that back; with no cause, nothing is
// noted.
func (s *Slabs) heal(ctx context.Context, id format.SlabID, cause error) ([]byte, error) {
	if cause != nil && !MayHeal(cause) {
		return nil, cause
	}
	h := &s.healing
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.beyond[id] {
		return nil, ErrBeyond
	}
	if h.whole == nil || h.id != id {
		h.whole = nil // one is in memory at a time
		whole, err := s.healNow(ctx, id)
		if errors.Is(err, ErrBeyond) {
			if h.beyond == nil {
				h.beyond = make(map[format.SlabID]bool)
			}
			h.beyond[id] = true
		}
		if err != nil {
			return nil, err
		}
		h.id, h.whole = id, whole
	}
	if cause != nil {
		h.note(id, cause)
	}
	return h.whole, nil
}

func (s *Slabs) healNow(ctx context.Context, id format.SlabID) ([]byte, error) {
	read, err := s.readWhole(ctx, names.Slab(id))
	if errors.Is(err, storage.ErrNotFound) {
		return s.putAside(ctx, id)
	}
	if err != nil {
		return nil, err
	}
	for _, length := range s.lengths(id, len(read)) {
		whole := make([]byte, length)
		copy(whole, read)
		if _, err := parity.Heal(whole); err != nil && !errors.Is(err, ErrBeyond) {
			return nil, err
		} else if err == nil && s.proves(ctx, id, whole) == nil {
			return whole, nil
		}
	}
	return s.rewritten(ctx, id, read)
}

func (s *Slabs) readWhole(ctx context.Context, name string) ([]byte, error) {
	info, err := s.storage.Stat(ctx, name)
	if err != nil {
		return nil, err
	}
	if info.Size > parity.MaxLength {
		return nil, ErrBeyond
	}
	read := make([]byte, info.Size)
	err = s.storage.ReadAt(ctx, name, read, 0)
	if !IsUnreadable(err) {
		return read, err
	}
	for rest := read; len(rest) > 0; {
		part := rest[:min(len(rest), sector)]
		if err := s.storage.ReadAt(ctx, name, part, int64(len(read)-len(rest))); IsUnreadable(err) {
			clear(part) // damaged, as other damage is
		} else if err != nil {
			return nil, err
		}
		rest = rest[len(part):]
	}
	return read, nil
}

// sector is how much a disk may be unable to read where it can't read one byte.
const sector = 4 << 10

// MayHeal tells of an error whether the object may be damaged, and not what it was: damage may look like a version of
// the format that is not known.
func MayHeal(err error) bool {
	return errors.Is(err, format.ErrDamaged) || errors.Is(err, format.ErrUnknownVersion) || IsUnreadable(err)
}

// IsAbsent tells of a second copy that there is none: their folder is made with the first.
func IsAbsent(err error) bool {
	return errors.Is(err, storage.ErrNotFound) || errors.Is(err, storage.ErrGone)
}

// IsUnreadable tells whether a medium could not read what it has, as where sectors of a disk are bad.
func IsUnreadable(err error) bool { return errors.Is(err, syscall.EIO) }

// putAside gives a slab that is gone, as a repair was stopped that had put it aside to put it anew.
func (s *Slabs) putAside(ctx context.Context, id format.SlabID) ([]byte, error) {
	whole, err := s.readWhole(ctx, names.Spare(names.Slab(id)))
	if IsAbsent(err) {
		return nil, errGone // which is no answer for ever
	}
	if err == nil && s.proves(ctx, id, whole) != nil {
		err = ErrBeyond
	}
	return whole, err
}

// rewritten gives a slab of which only the parity is damaged.
func (s *Slabs) rewritten(ctx context.Context, id format.SlabID, whole []byte) ([]byte, error) {
	slab, err := s.openFrom(ctx, bytesOf(whole), id, int64(len(whole)))
	if err != nil || slab.parity.length == 0 || slab.unsealAll(whole) != nil {
		return nil, ErrBeyond
	}
	if err := parity.Rewrite(whole, format.SectionHead+int(slab.parity.length)); err != nil {
		return nil, err
	}
	if s.proves(ctx, id, whole) != nil {
		return nil, ErrBeyond
	}
	return whole, nil
}

// lengths gives how long a slab may have been that now has n bytes: as long as it is expected to be, as it is, or,
// since slabs have PADMÉ lengths, a little longer, where its end is gone, or shorter, where something stands behind it.
func (s *Slabs) lengths(id format.SlabID, n int) []int {
	lengths := []int{n}
	s.mu.Lock()
	expected, ok := s.length(id)
	s.mu.Unlock()
	if ok && expected != int64(n) && expected <= parity.MaxLength {
		lengths = append(lengths, int(expected))
	}
	for longer, end := n, n+n/2; len(lengths) < 8; {
		if longer = format.PaddedLength(longer + 1); longer > min(end, parity.MaxLength) {
			break
		}
		lengths = append(lengths, longer)
	}
	for shorter := n; shorter > 0 && shorter > n-1<<20; shorter-- {
		if format.PaddedLength(shorter) == shorter && shorter != n {
			lengths = append(lengths, shorter)
			break
		}
	}
	return lengths
}

// proves opens everything that is sealed in a slab.
func (s *Slabs) proves(ctx context.Context, id format.SlabID, whole []byte) error {
	slab, err := s.openFrom(ctx, bytesOf(whole), id, int64(len(whole)))
	if err != nil {
		return err
	}
	if slab.Trailers < 2 {
		return fmt.Errorf("%w: one of the two copies of its trailer", format.ErrDamaged)
	}
	return slab.unsealAll(whole)
}

// unsealAll opens all frames of a slab.
func (slab *Slab) unsealAll(whole []byte) error {
	var open []byte
	for n := range slab.Frames {
		open = append(open[:0], whole[slab.offsets[n]:][:slab.Frames[n].Sealed]...)
		if _, err := slab.unseal(n, open); err != nil {
			return err
		}
	}
	return nil
}

// bytesOf reads a slab that is in memory.
func bytesOf(whole []byte) reading {
	return func(_ context.Context, _ string, p []byte, off int64) error {
		if off < 0 || off+int64(len(p)) > int64(len(whole)) {
			return io.ErrUnexpectedEOF
		}
		copy(p, whole[off:])
		return nil
	}
}

// CheckParity fails where a slab has parity that is not what was written: then Whole gives what it was.
func (s *Slabs) CheckParity(ctx context.Context, slab *Slab) error {
	if !slab.HasParity() {
		return nil
	}
	section := make([]byte, slab.parity.length)
	if err := s.storage.ReadAt(ctx, names.Slab(slab.ID), section, slab.parity.off); err != nil {
		return &SlabError{slab.ID, -1, AsDamage(err)}
	}
	if err := s.checkParity(slab, section); err != nil {
		return &SlabError{slab.ID, -1, err}
	}
	return nil
}

func (s *Slabs) checkParity(slab *Slab, section []byte) error {
	if !slab.HasParity() {
		return nil
	}
	if n, err := parity.Check(int(slab.Length), section); n > 0 || err != nil {
		return fmt.Errorf("%w: its parity", format.ErrDamaged)
	}
	return nil
}

// HasParity tells whether a slab has parity that this release may heal it by.
func (slab *Slab) HasParity() bool { return slab.parity.length > 0 && slab.Length <= parity.MaxLength }
