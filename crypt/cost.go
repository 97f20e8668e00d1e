package crypt

import "fmt"

// Cost is what Argon2id takes to derive a key from a passphrase (RFC 9106,
// section 3.1).
type Cost struct {
	MemoryKiB uint32 `json:"memory_kib"` // memory, in KiB
	Passes    uint32 `json:"passes"`     // passes over the memory
	Lanes     uint32 `json:"lanes"`      // lanes, computed in parallel
}

// DefaultCost returns the second recommended option of RFC 9106, section 4:
// 64 MiB, 3 passes, 4 lanes. It is the least that [NewSlot] accepts and that opens too,
// unless [UnlockOptions] say otherwise.
func DefaultCost() Cost { return Cost{MemoryKiB: 64 << 10, Passes: 3, Lanes: 4} }

// The bounds of what a slot may ask for, so that a hostile one can't exhaust
// the machine; common practice, no source.
const (
	maxMemoryKiB = 4 << 20 // 4 GiB
	maxPasses    = 64
	maxLanes     = 64
	minSalt      = 16 // RFC 9106, section 3.1: recommended
	maxSalt      = 64
)

// Below reports whether c is less than the other cost in any parameter.
func (c Cost) Below(other Cost) bool {
	return c.MemoryKiB < other.MemoryKiB || c.Passes < other.Passes || c.Lanes < other.Lanes
}

// String describes the cost.
func (c Cost) String() string {
	return fmt.Sprintf("%d KiB of memory, %d passes, %d lanes", c.MemoryKiB, c.Passes, c.Lanes)
}

// check holds c against the bounds above and the definition of Argon2, which
// wants 8 KiB for each lane at least.
func (c Cost) check() error {
	switch {
	case c.Passes < 1 || c.Passes > maxPasses:
		return fmt.Errorf("%w: %d passes are not in 1 to %d", ErrCost, c.Passes, maxPasses)
	case c.Lanes < 1 || c.Lanes > maxLanes:
		return fmt.Errorf("%w: %d lanes are not in 1 to %d", ErrCost, c.Lanes, maxLanes)
	case c.MemoryKiB < 8*c.Lanes || c.MemoryKiB > maxMemoryKiB:
		return fmt.Errorf("%w: %d KiB of memory are not in %d to %d", ErrCost, c.MemoryKiB, 8*c.Lanes, maxMemoryKiB)
	}
	return nil
}

// Work is how much there is to do: memory in KiB times passes.
func (c Cost) Work() int64 { return int64(c.MemoryKiB) * int64(c.Passes) }

// memory is what c takes, in bytes.
func (c Cost) memory() int64 { return int64(c.MemoryKiB) << 10 }
