package lease

import (
	"errors"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// Who looks at all leases with its own learns the same time as who asks for that alone, also where the listing fails or does not show it,
// and asks for its renewals alone.
func TestTakeLooking(t *testing.T) {
	errWeevils := errors.New("weevils")
	for name, test := range map[string]struct {
		faulty func(*storagetest.Faulty)
		stats  int
	}{
		"listed":        {func(*storagetest.Faulty) {}, 0},
		"not listed":    {func(f *storagetest.Faulty) { f.Lag(10) }, 1},
		"listing fails": {func(f *storagetest.Faulty) { f.Inject(storagetest.Fault{Method: storagetest.List, Err: errWeevils}) }, 1},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := storagetest.NewFaulty(storagetest.NewRequests(storage.NewMemory()))
				v, err := vault.Create(t.Context(), f, crypt.NewKeyFile(), vault.Settings{Average: chunk.DefaultAverage}, crypt.SlotOptions{})
				if err != nil {
					t.Fatal(err)
				}
				defer v.Close()
				r := New(v, ledger.New(v, ledger.NewWatch()))
				f.Reset()
				test.faulty(f)
				l, err := r.TakeLooking(t.Context(), format.WorkCapture, "hazel", "seedbank")
				if err != nil {
					t.Fatal(err)
				}
				if lists, stats := f.Calls(storagetest.List), f.Calls(storagetest.Stat); lists != 1 || stats != test.stats {
					t.Errorf("%d listings and %d looks, want 1 and %d", lists, stats, test.stats)
				}
				if now := l.Now(); time.Since(now) != ClockSlack {
					t.Errorf("the medium's time is %v, want %v before %v", now, ClockSlack, time.Now())
				}
				f.Reset()
				time.Sleep(leaseRenew + time.Second)
				synctest.Wait()
				if lists, stats := f.Calls(storagetest.List), f.Calls(storagetest.Stat); lists != 0 || stats != 1 {
					t.Errorf("to renew it, %d listings and %d looks, want 0 and 1", lists, stats)
				}
				l.End(t.Context())
			})
		})
	}
}

// A lease that is gone before it was seen is another one's to be put.
func TestTakeLookingAgain(t *testing.T) {
	mem := storage.NewMemory()
	f := storagetest.NewFaulty(storagetest.NewRequests(mem))
	v, err := vault.Create(t.Context(), f, crypt.NewKeyFile(), vault.Settings{Average: chunk.DefaultAverage}, crypt.SlotOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	var gone []string
	f.Before(func(m storagetest.Method, folder string) {
		if m != storagetest.List || len(gone) > 0 {
			return
		}
		there, err := mem.List(t.Context(), folder)
		if err != nil {
			t.Error(err)
		}
		for _, info := range there {
			gone = append(gone, info.Name)
			mem.Remove(t.Context(), info.Name)
		}
	})
	l, err := New(v, ledger.New(v, ledger.NewWatch())).TakeLooking(t.Context(), format.WorkCapture, "hazel", "seedbank")
	if err != nil {
		t.Fatal(err)
	}
	there, err := mem.List(t.Context(), "leases")
	if err != nil || len(there) != 1 || len(gone) != 1 || slices.Contains(gone, there[0].Name) {
		t.Errorf("%v are there after %q went (%v)", there, gone, err)
	}
	l.End(t.Context())
}
