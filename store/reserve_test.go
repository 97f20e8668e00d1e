package store_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"strings"
	"syscall"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// TestReserve fills the medium to its last byte: what is retired then is freed all the same, by the reserve, which is there again
// afterwards. Without a reserve neither can be done.
func TestReserve(t *testing.T) {
	for _, reserve := range []int64{0, store.DefaultReserve} {
		t.Run(fmt.Sprint(reserve), func(t *testing.T) {
			ctx := t.Context()
			disk := storagetest.NewDisk(1)
			folder, err := disk.Create(store.Folders()...)
			if err != nil {
				t.Fatal(err)
			}
			r, err := store.Create(ctx, folder, crypt.NewKeyFile(), store.CreateOptions{Reserve: reserve})
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			var ids []string
			for seed := range uint64(3) {
				ids = append(ids, captureRandom(t, r, seed).ID)
			}
			disk.Space(0)
			if _, err := r.Capture(ctx, store.CaptureOptions{Volumes: []store.VolumeInput{{Name: "data", Open: reserveContent("x")}}}); !errors.Is(err, syscall.ENOSPC) {
				t.Fatalf("a capture on a full medium: %v", err)
			}
			retired := r.Retire(ctx, ids[:1], store.MarkOptions{})
			if got, want := len(reservePieces(t, folder)), max(0, int(reserve/65536)-1); got != want {
				t.Errorf("%d pieces are left, not %d", got, want)
			}
			done, err := r.Reclaim(ctx, store.ReclaimOptions{Grace: store.NoGrace, Reserve: reserve})
			if reserve == 0 {
				if !errors.Is(retired, syscall.ENOSPC) || !errors.Is(err, syscall.ENOSPC) {
					t.Errorf("without a reserve: %v, %v", retired, err)
				}
				return
			}
			if retired != nil || err != nil || len(done.Captures) != 1 || done.Freed < 1<<20 || len(done.Notes) > 0 {
				t.Fatalf("%v, %v, %+v", retired, err, done)
			}
			if got := len(reservePieces(t, folder)); got != int(reserve/65536) {
				t.Errorf("%d pieces are kept again", got)
			}
			if v, err := r.Verify(ctx, store.VerifyOptions{Full: true}); err != nil || !v.OK {
				t.Errorf("%v, %+v", err, v)
			}
		})
	}
}

// TestReserveToDeltas: what can't be stored anew on a full medium, before the first or in the midst, is told as what there is no room
// for.
func TestReserveToDeltas(t *testing.T) {
	for space, want := range map[int64]int{0: 0, 2<<20 + 1<<19: 1} {
		t.Run(fmt.Sprint(space), func(t *testing.T) {
			ctx := t.Context()
			disk := storagetest.NewDisk(1)
			folder, err := disk.Create(store.Folders()...)
			if err != nil {
				t.Fatal(err)
			}
			r, err := store.Create(ctx, folder, crypt.NewKeyFile(), store.CreateOptions{Reserve: store.DefaultReserve})
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			for seed := range uint64(3) {
				captureRandom(t, r, seed)
			}
			if err := r.SetDeltas(ctx, store.DeltasOn, store.MarkOptions{}); err != nil {
				t.Fatal(err)
			}
			disk.Space(space)
			out, err := r.Reclaim(ctx, store.ReclaimOptions{Reserve: store.DefaultReserve, ToDeltas: &store.ToDeltasOptions{Batch: 1}})
			if err != nil {
				t.Fatal(err)
			}
			if a := out.ToDeltas; a == nil || a.Slabs < want || a.Slabs+a.Left != 3 || !a.NoRoom || a.Needs <= 1<<20 {
				t.Errorf("%+v", a)
			}
		})
	}
}

// captureRandom captures a MiB that can't be compressed.
func captureRandom(t *testing.T, r *store.Repository, seed uint64) *store.Capture {
	t.Helper()
	content := make([]byte, 1<<20)
	rand.NewChaCha8([32]byte{byte(seed)}).Read(content)
	c, err := r.Capture(t.Context(), store.CaptureOptions{Name: "seedbank", Volumes: []store.VolumeInput{{Name: "data", Open: reserveContent(string(content))}}})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func reservePieces(t *testing.T, st storage.Storage) []storage.Info {
	t.Helper()
	infos, err := st.List(t.Context(), "reserve")
	if err != nil {
		t.Fatal(err)
	}
	return infos
}

// TestReserveBounds: a reserve is not below nothing, and not beyond bounds; a repository that had none gets one by reclaiming; where
// there is no room for it, that is said, and nothing else fails.
func TestReserveBounds(t *testing.T) {
	ctx, key := t.Context(), crypt.NewKeyFile()
	for _, n := range []int64{-1, store.MaxReserve + 1} {
		if _, err := store.Create(ctx, storage.NewMemory(), key, store.CreateOptions{Reserve: n}); !errors.Is(err, store.ErrBadOptions) {
			t.Errorf("%d: %v", n, err)
		}
	}
	disk := storagetest.NewDisk(2)
	folder, err := disk.Create(store.Folders()...)
	if err != nil {
		t.Fatal(err)
	}
	r, err := store.Create(ctx, folder, key, store.CreateOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if _, err := r.Reclaim(ctx, store.ReclaimOptions{Reserve: store.MaxReserve + 1}); !errors.Is(err, store.ErrBadOptions) {
		t.Error(err)
	}
	if _, err := store.CreateReplica(ctx, storage.NewMemory(), r, key, store.ReplicaOptions{Reserve: -1}); !errors.Is(err, store.ErrBadOptions) {
		t.Error(err)
	}
	disk.Space(32 << 10)
	if done, err := r.Reclaim(ctx, store.ReclaimOptions{Reserve: store.DefaultReserve}); err != nil || len(done.Notes) != 1 || !strings.Contains(done.Notes[0], "reserve") {
		t.Errorf("%v, %+v", err, done)
	}
	disk.Space(1 << 20)
	for range 2 {
		if done, err := r.Reclaim(ctx, store.ReclaimOptions{Reserve: store.DefaultReserve}); err != nil || len(done.Notes) > 0 {
			t.Errorf("%v, %+v", err, done)
		}
		if n := len(reservePieces(t, folder)); n != store.DefaultReserve/65536 {
			t.Errorf("%d pieces", n)
		}
	}
	replica := storage.NewMemory()
	second, err := store.CreateReplica(ctx, replica, r, key, store.ReplicaOptions{Reserve: 1})
	if err != nil {
		t.Fatal(err)
	}
	defer second.Close()
	if pieces := reservePieces(t, replica); len(pieces) != 1 || pieces[0].Size != 65536 {
		t.Errorf("%v", pieces)
	}
}

func reserveContent(text string) func(context.Context) (io.ReadCloser, error) {
	return func(context.Context) (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(text)), nil }
}
