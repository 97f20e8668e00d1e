package vault_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"syscall"
	"testing"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// newParityRoom is newRoom where objects have second copies, with a reserve.
func newParityRoom(t *testing.T) room {
	t.Helper()
	mem := storage.NewMemory()
	s := vault.Settings{Average: chunk.DefaultAverage, Parity: 3, Reserve: 2 * vault.ReservePiece}
	v, err := vault.Create(t.Context(), mem, crypt.NewKeyFile(), s, crypt.SlotOptions{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(v.Close)
	return room{v, mem}
}

// TestSpareOfWithdrawn: where an object was withdrawn and another one put under its name, the second copy is that of the other.
func TestSpareOfWithdrawn(t *testing.T) {
	r, name := newParityRoom(t), names.Capture("20260314t0203z-k7f3", 0)
	for _, content := range []string{"withdrawn", "put again"} {
		r.PutSpare(t.Context(), name, []byte(content))
		if got := r.Spare(t.Context(), name, 100); string(got) != content {
			t.Errorf("%q, not %q", got, content)
		}
	}
}

// TestCleanSpares removes second copies of what is gone, but for those of slabs, which a stopped repair may have left as the only
// ones that are whole, and that of kist.json.
func TestCleanSpares(t *testing.T) {
	r := newParityRoom(t)
	stays, goes := names.Slab(format.SlabID{7}), names.Capture("20260314t0203z-k7f3", 0)
	for _, name := range []string{stays, goes} {
		r.exchange(t, names.Spare(name), []byte("a whole one"))
	}
	manifest, whole := r.read(t, names.Manifest)
	if err := r.mem.Remove(t.Context(), manifest.Name); err != nil {
		t.Fatal(err)
	}
	if err := r.CleanSpares(t.Context()); err != nil {
		t.Fatal(err)
	}
	for name, there := range map[string]bool{stays: true, goes: false, names.Manifest: true, names.KeySlot(string(r.OpenedSlot())): true} {
		if _, err := r.mem.Stat(t.Context(), names.Spare(name)); (err == nil) != there {
			t.Errorf("%s: %v", names.Spare(name), err)
		}
	}
	if got := r.Spare(t.Context(), names.Manifest, 1<<16); !bytes.Equal(got, whole) {
		t.Error("the second copy of kist.json is another")
	}
}

// TestTrySpare: a second copy counts where the object is damaged, and not where it is gone, or a share failed.
func TestTrySpare(t *testing.T) {
	r, name := newParityRoom(t), names.Capture("20260314t0203z-k7f3", 0)
	r.PutSpare(t.Context(), name, []byte("whole"))
	for _, c := range []struct {
		cause error
		helps bool
	}{
		{format.ErrDamaged, true}, {format.ErrUnknownVersion, true}, {syscall.EIO, true},
		{storage.ErrNotFound, false}, {storage.ErrGone, false}, {syscall.ESTALE, false}, {context.Canceled, false},
	} {
		before := len(r.Healed())
		got, err := vault.TrySpare(t.Context(), r.Vault, name, 100, c.cause, func(b []byte) (string, error) { return string(b), nil })
		if c.helps != (got == "whole" && err == nil) || !c.helps && !errors.Is(err, c.cause) {
			t.Errorf("%v: %q, %v", c.cause, got, err)
		}
		if !c.helps && len(r.Healed()) != before {
			t.Errorf("%v: it counts as healed", c.cause)
		}
	}
	if _, err := vault.TrySpare(t.Context(), r.Vault, name, 100, format.ErrDamaged, func([]byte) (string, error) { return "", syscall.EINVAL }); !errors.Is(err, format.ErrDamaged) {
		t.Errorf("a second copy that does not open: %v", err)
	}
}

// TestGivesReserve: the reserve is given back where an object is not there for want of room, and nowhere else: what is there, and
// could only not be flushed, would be found by who began again.
func TestGivesReserve(t *testing.T) {
	for _, c := range []struct {
		err   error
		gives bool
	}{
		{&storage.Error{Op: "put", Call: "write", Err: syscall.ENOSPC}, true},
		{&storage.Error{Op: "put", Call: "sync", Err: syscall.EDQUOT}, true},
		{&storage.Error{Op: "put", Call: "write", Err: syscall.EIO}, true},
		{&storage.Error{Op: "put", Call: "sync folder", Err: syscall.ENOSPC}, false},
		{&storage.Error{Op: "put", Call: "sync folder", Err: syscall.EIO}, false},
		{&storage.Error{Op: "put", Call: "write", Err: syscall.EROFS}, false},
		{&storage.Error{Op: "remove", Call: "unlink", Err: syscall.EIO}, false},
		{syscall.ENOSPC, false},
	} {
		r, did := newParityRoom(t), 0
		err := r.WithReserve(t.Context(), 1, func() error {
			if did++; did > 1 {
				return nil
			}
			return fmt.Errorf("putting a mark: %w", c.err)
		})
		left, listed := r.mem.List(t.Context(), names.Reserve)
		if listed != nil {
			t.Fatal(listed)
		}
		if gave := did == 2 && err == nil && len(left) == 1; gave != c.gives || !gave && (!errors.Is(err, c.err) || did != 1 || len(left) != 2) {
			t.Errorf("%v: done %d times, %v, %d pieces are left", c.err, did, err, len(left))
		}
	}
}

// TestReserveTakesRoom: no piece of the reserve holds what a file system may keep without room, as zeros, or what another has.
func TestReserveTakesRoom(t *testing.T) {
	r := newParityRoom(t)
	pieces, err := r.mem.List(t.Context(), names.Reserve)
	if err != nil || len(pieces) != 2 {
		t.Fatal(pieces, err)
	}
	blocks := make(map[string]bool)
	for _, p := range pieces {
		_, b := r.read(t, p.Name)
		for ; len(b) >= 512; b = b[512:] {
			blocks[string(b[:512])] = true
		}
	}
	if want := 2 * vault.ReservePiece / 512; len(blocks) != want {
		t.Errorf("%d different blocks of %d", len(blocks), want)
	}
}
