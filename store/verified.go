package store

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"time"
	"unicode/utf8"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/vault"
)

// VerifiedExtent says how deep a verification went, each as deep as those before it and more.
type VerifiedExtent string

// Extents of verifications. A later release may have others: they count as the least here.
const (
	VerifiedListed VerifiedExtent = format.ExtentListed // index files, tables and the tables of slabs
	VerifiedSample VerifiedExtent = format.ExtentSample // and some frames
	VerifiedFull   VerifiedExtent = format.ExtentFull   // and all frames
)

// Verification says what an earlier [Repository.Verify] found that kept it.
type Verification struct {
	At       time.Time // when it ended, by the clock of who did it
	Took     time.Duration
	Host     string // where it was done, for people
	Extent   VerifiedExtent
	Sample   float64 // the share of the frames that a sample opened
	Captures int     // that it looked at
	Damaged  int     // objects that were damaged or missing; 0: all was well
	Checked  int64   // bytes of objects that were opened
	Some     bool    // it was about some captures only, and says nothing of the others
}

// verificationJSON is a Verification in JSON.
type verificationJSON struct {
	At       time.Time      `json:"at"`
	Extent   VerifiedExtent `json:"extent"`
	Sample   float64        `json:"sample,omitempty"`
	OK       bool           `json:"ok"`
	Damaged  int            `json:"damaged_objects"`
	Captures int            `json:"captures"`
	Checked  int64          `json:"checked_bytes"`
	Took     float64        `json:"took_seconds"`
	Host     string         `json:"host,omitempty"`
	Some     bool           `json:"some_captures_only,omitempty"`
}

// MarshalJSON gives at, extent, sample, ok, damaged_objects, captures, checked_bytes, took_seconds, host
// and some_captures_only.
func (v Verification) MarshalJSON() ([]byte, error) {
	return json.Marshal(verificationJSON{
		v.At, v.Extent, v.Sample, v.Damaged == 0, v.Damaged, v.Captures, v.Checked, v.Took.Seconds(), v.Host, v.Some,
	})
}

// Verifications gives what earlier verifications found, as far as later ones have not made it superfluous, the
// latest last. One that tells of damage stays until one that would have found it finds none: one of the
// whole repository, and full unless the damage showed without opening frames. Marks that can't be
// read are left out.
func (r *Repository) Verifications(ctx context.Context) (all []Verification, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(ctx); err != nil {
		return nil, err
	}
	read, err := r.ledger.ReadVerifications(ctx)
	if err != nil {
		return nil, err
	}
	for _, mark := range read.Marks {
		all = append(all, newVerification(mark.Record))
	}
	slices.SortStableFunc(all, func(a, b Verification) int { return a.At.Compare(b.At) })
	return all, nil
}

func newVerification(f *format.VerificationRecord) Verification {
	const longest = uint64(math.MaxInt64 / int64(time.Millisecond))
	return Verification{
		At: f.Ended, Took: time.Duration(min(f.Took, longest)) * time.Millisecond, Host: f.Host, Extent: VerifiedExtent(f.Extent),
		Sample: float64(min(f.Share, millionths)) / millionths, Captures: int(min(f.Captures, math.MaxInt32)), Damaged: int(min(f.Damaged, math.MaxInt32)),
		Checked: int64(min(f.Read, math.MaxInt64)), Some: f.Some,
	}
}

const millionths = 1_000_000

// keeping is a verification that is to be kept.
type keeping struct {
	began  time.Time
	before *ledger.Verifications
	o      VerifyOptions
}

// beginKeeping reads what is there before a verification begins: no more than that does it make superfluous.
func (r *Repository) beginKeeping(ctx context.Context, o VerifyOptions) (*keeping, error) {
	if len(o.Host) > maxRehearsalText || !utf8.ValidString(o.Host) {
		return nil, fmt.Errorf("%w: a host must be UTF-8 text of at most %d bytes: %.40q", ErrBadOptions, maxRehearsalText, o.Host)
	}
	before, err := r.ledger.ReadVerifications(ctx)
	return &keeping{time.Now(), before, o}, err
}

// keep keeps what was found. Where it can't, as on what is mounted read-only, a note says so.
func (k *keeping) keep(ctx context.Context, r *Repository, found *Report) {
	now := time.Now()
	record := &format.VerificationRecord{
		Ended: now.UTC(), Host: k.o.Host, Extent: format.ExtentListed, Some: len(k.o.Captures) > 0,
		Captures: uint64(found.Captures), Damaged: uint64(len(found.Damage)), Read: uint64(found.Checked),
		Took: uint64(max(now.Sub(k.began), 0).Milliseconds()),
	}
	switch {
	case k.o.Full:
		record.Extent = format.ExtentFull
	case k.o.Sample > 0:
		record.Extent, record.Share = format.ExtentSample, uint32(max(1, math.Round(k.o.Sample*millionths)))
	}
	if err := r.keeper.NoteVerification(ctx, k.before, record); err != nil {
		found.Notes = append(found.Notes, fmt.Sprintf("that it was verified is not kept in the repository: %v", err))
	}
}
