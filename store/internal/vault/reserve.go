package vault

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"syscall"

	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// Removing what is not needed begins with writing: a lease, and marks. So on a full medium nothing could be freed. The
// reserve is room that is kept for that: objects without meaning, of ReservePiece each.

const (
	// ReservePiece is the length of a piece of the reserve, in bytes: some ten small objects where each takes whole blocks.
	ReservePiece = 64 << 10

	// MaxReserve bounds the reserve, in bytes.
	MaxReserve = 64 << 20
)

// CheckReserve fails with ErrBadOptions for a reserve that can't be.
func CheckReserve(n int64) error {
	if n < 0 || n > MaxReserve {
		return fmt.Errorf("%w: a reserve of %d bytes: it has up to %d", ErrBadOptions, n, MaxReserve)
	}
	return nil
}

// keepReserve sees that the reserve has n bytes, in whole pieces.
func keepReserve(ctx context.Context, st storage.Storage, n int64) error {
	if n <= 0 {
		return nil
	}
	there, err := reserve(ctx, st)
	if err != nil {
		return err
	}
	for kept := int64(len(there)) * ReservePiece; kept < n; kept += ReservePiece {
		piece := make([]byte, ReservePiece)
		rand.Read(piece) // zeros may take no room
		if err := st.Put(ctx, names.NewReserve(), bytes.NewReader(piece)); err != nil {
			return err
		}
	}
	return nil
}

// reserve gives the names of the pieces.
func reserve(ctx context.Context, st storage.Storage) ([]string, error) {
	infos, err := st.List(ctx, names.Reserve)
	if errors.Is(err, storage.ErrGone) {
		_, err = st.Stat(ctx, names.Manifest) // is it the folder alone that is missing?
	}
	var pieces []string
	for _, info := range infos {
		if names.IsReserve(info.Name) {
			pieces = append(pieces, info.Name)
		}
	}
	return pieces, err
}

// KeepReserve sees that n bytes are kept for when the medium is full.
func (v *Vault) KeepReserve(ctx context.Context, n int64) error {
	return keepReserve(ctx, v.storage, n)
}

// WithReserve does something, and once more if that finds the medium full, when as many pieces of the reserve were given back.
func (v *Vault) WithReserve(ctx context.Context, pieces int, do func() error) error {
	err := do()
	if !isFull(err) || !v.giveReserve(ctx, pieces) {
		return err
	}
	return do()
}

// giveReserve removes pieces of the reserve, and tells whether there were any.
func (v *Vault) giveReserve(ctx context.Context, pieces int) (some bool) {
	there, err := reserve(ctx, v.storage)
	if err != nil {
		return false
	}
	for _, name := range there[:min(len(there), pieces)] {
		some = v.storage.Remove(ctx, name) == nil || some
	}
	return some
}

// isFull tells whether an object is not there since a medium may have no room left: some clients of shares say no more than that
// writing failed. One that is there, and could only not be flushed, is another matter: who began again would find it and take it for
// done; and so is what could not be removed.
func isFull(err error) bool {
	var of *storage.Error
	if !errors.As(err, &of) || of.Op != "put" || of.Call == "sync folder" {
		return false
	}
	for _, full := range []error{errDiskFull, syscall.EDQUOT, syscall.EIO} {
		if errors.Is(err, full) {
			return true
		}
	}
	return false
}
