package vault_test

import (
	"bytes"
	"context"
	"errors"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/kistarchive/kist/chunk"
	"pgregory.net/rapid"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// room is a vault in memory.
type room struct {
	*vault.Vault
	mem *storage.Memory
}

func newRoom(t *testing.T) room {
	t.Helper()
	mem := storage.NewMemory()
	v, err := vault.Create(t.Context(), mem, crypt.NewKeyFile(), vault.Settings{Average: chunk.DefaultAverage}, crypt.SlotOptions{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(v.Close)
	return room{v, mem}
}

// read gives an object as it is listed, and its bytes.
func (r room) read(t *testing.T, name string) (storage.Info, []byte) {
	t.Helper()
	info, err := r.mem.Stat(t.Context(), name)
	b := make([]byte, info.Size)
	if err == nil {
		err = r.mem.ReadAt(t.Context(), name, b, 0)
	}
	if err != nil {
		t.Fatal(err)
	}
	return info, b
}

// exchange puts other bytes in the place of an object.
func (r room) exchange(t *testing.T, name string, b []byte) {
	t.Helper()
	if err := r.mem.Remove(t.Context(), name); err != nil && !errors.Is(err, storage.ErrNotFound) {
		t.Fatal(err)
	}
	if err := r.mem.Put(t.Context(), name, bytes.NewReader(b)); err != nil {
		t.Fatal(err)
	}
}

// TestMarks reads a mark as it was written, and nothing that was not.
func TestMarks(t *testing.T) {
	const id = "20260314t0203z-k7f3"
	r, name, other := newRoom(t), names.NewHold(id), names.NewHold(id)
	record := &format.MarkRecord{Made: time.Unix(1773453780, 0).UTC(), Host: "hazel", Reason: "before the upgrade"}
	if err := vault.PutMark(t.Context(), r.Vault, format.Hold, name, record); err != nil {
		t.Fatal(err)
	}
	info, whole := r.read(t, name)
	got, err := vault.ReadMark[format.MarkRecord](t.Context(), r.Vault, format.Hold, info)
	if err != nil || got.Host != record.Host || got.Reason != record.Reason || !got.Made.Equal(record.Made) {
		t.Fatalf("%+v, %v", got, err)
	}
	for what, c := range map[string]struct {
		name string
		kind format.ObjectKind
		b    []byte
	}{
		"of another kind":   {name, format.Retired, whole},
		"under a new name":  {other, format.Hold, whole},
		"cut short":         {name, format.Hold, whole[:len(whole)-1]},
		"with one byte":     {name, format.Hold, append(slices.Clone(whole), 0)},
		"nothing":           {name, format.Hold, nil},
		"longer than marks": {name, format.Hold, make([]byte, format.MaxMark+1)},
	} {
		r.exchange(t, c.name, c.b)
		info, _ := r.read(t, c.name)
		if _, err := vault.ReadMark[format.MarkRecord](t.Context(), r.Vault, c.kind, info); !errors.Is(err, format.ErrDamaged) {
			t.Errorf("%s: %v", what, err)
		}
	}
}

// TestCheckHeader tells what somebody with the key began from what nobody did.
func TestCheckHeader(t *testing.T) {
	r := newRoom(t)
	name := names.Capture("20260314t0203z-k7f3", 0)
	header, _, err := r.Sealer(format.Capture, "20260314t0203z-k7f3")
	if err != nil {
		t.Fatal(err)
	}
	check := func(b []byte) error {
		r.exchange(t, name, b)
		info, _ := r.read(t, name)
		return r.CheckHeader(t.Context(), format.Capture, info)
	}
	if err := check(append(header, "harmed since"...)); err != nil {
		t.Errorf("begun with the key: %v", err)
	}
	header[len(header)-1] ^= 1
	if err := check(header); !errors.Is(err, format.ErrDamaged) {
		t.Errorf("begun without it: %v", err)
	}
}

// TestNotAsWritten finds white space in the readable files, which opening forgives.
func TestNotAsWritten(t *testing.T) {
	r := newRoom(t)
	damaged := func() (slots int, manifest error) {
		t.Helper()
		if err := r.CheckSlots(t.Context(), func(crypt.SlotID, error) { slots++ }); err != nil {
			t.Fatal(err)
		}
		return slots, r.CheckManifest(t.Context())
	}
	if slots, err := damaged(); slots > 0 || err != nil {
		t.Errorf("as written: %d slots, %v", slots, err)
	}
	for _, name := range []string{names.Manifest, names.KeySlot(string(r.OpenedSlot()))} {
		_, b := r.read(t, name)
		r.exchange(t, name, append(b, ' '))
	}
	if slots, err := damaged(); slots != 1 || !errors.Is(err, format.ErrDamaged) {
		t.Errorf("with white space: %d slots, %v", slots, err)
	}
}

// TestInOrder has every item wait for all behind it that are under way with it: the
// outcomes come in the order of the items all the same.
func TestInOrder(t *testing.T) {
	const workers = 3
	items := []int{0, 1, 2, 3, 4, 5, 6, 7, 8}
	done := make([]chan struct{}, len(items))
	for i := range done {
		done[i] = make(chan struct{})
	}
	var order []int
	err := vault.InOrder(t.Context(), items, workers,
		func(_ context.Context, i int) (int, error) {
			defer close(done[i])
			if i%workers < workers-1 {
				<-done[i+1]
			}
			return i * i, nil
		},
		func(i, square int, err error) error {
			if order = append(order, i); square != i*i || err != nil {
				t.Errorf("%d: %d, %v", i, square, err)
			}
			return nil
		})
	if err != nil || !slices.Equal(order, items) {
		t.Errorf("%v, %v", order, err)
	}
}

// TestInOrderWithin: what is begun and not used yet weighs no more than may be, or is one item, and all come in their order, whatever
// they weigh.
func TestInOrderWithin(t *testing.T) {
	const most = 10
	rapid.Check(t, func(t *rapid.T) {
		items := rapid.SliceOfN(rapid.IntRange(0, 15), 0, 40).Draw(t, "weights")
		var mu sync.Mutex
		var order []int
		begun, sum := 0, 0
		change := func(n, weight int) (int, int) {
			mu.Lock()
			defer mu.Unlock()
			begun, sum = begun+n, sum+n*weight
			return begun, sum
		}
		err := vault.InOrderWithin(context.Background(), items, rapid.IntRange(1, 6).Draw(t, "workers"), most, func(weight int) int { return weight },
			func(_ context.Context, weight int) (int, error) {
				if _, sum := change(1, min(weight, most)); sum > most {
					t.Errorf("%d weigh %d", begun, sum)
				}
				return weight * weight, nil
			},
			func(weight, square int, err error) error {
				if square != weight*weight || err != nil {
					t.Errorf("%d, %v", square, err)
				}
				order = append(order, weight)
				change(-1, min(weight, most))
				return nil
			})
		if err != nil || !slices.Equal(order, items) {
			t.Errorf("%v of %v, %v", order, items, err)
		}
	})
}

// TestInOrderEnds ends with what use fails with, and begins little after it.
func TestInOrderEnds(t *testing.T) {
	enough := errors.New("enough")
	used := 0
	err := vault.InOrder(t.Context(), make([]int, 10_000), 2,
		func(ctx context.Context, _ int) (int, error) { return 0, ctx.Err() },
		func(int, int, error) error {
			used++
			return enough
		})
	if err != enough || used != 1 {
		t.Errorf("%v after %d", err, used)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	err = vault.InOrderWithin(ctx, []int{1, 2, 3}, 2, 1, func(n int) int { return n }, func(context.Context, int) (int, error) { return 0, nil }, func(int, int, error) error { return nil })
	if !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}
