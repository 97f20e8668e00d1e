package lease

import (
	"errors"
	"io/fs"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// leased runs a test with leases in memory, by the clock of a bubble.
func leased(t *testing.T, test func(t *testing.T, r *Leases, st *storagetest.Faulty)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		faulty := storagetest.NewFaulty(storage.NewMemory())
		v, err := vault.Create(t.Context(), faulty, crypt.NewKeyFile(), vault.Settings{Average: chunk.DefaultAverage}, crypt.SlotOptions{})
		if err != nil {
			t.Fatal(err)
		}
		defer v.Close()
		test(t, New(v, ledger.New(v, ledger.NewWatch())), faulty)
	})
}

func take(t *testing.T, r *Leases) *Lease {
	t.Helper()
	l, err := r.Take(t.Context(), format.WorkCapture, "hazel", "seedbank")
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// FORMAT.md, section 10: who puts an index file had a lease that was never 15 minutes old.
func TestLapse(t *testing.T) {
	for away, alive := range map[time.Duration]bool{9 * time.Minute: true, 16 * time.Minute: false} {
		leased(t, func(t *testing.T, r *Leases, st *storagetest.Faulty) {
			l := take(t, r)
			defer l.End(t.Context())
			st.Inject(storagetest.Fault{Method: storagetest.Put, From: st.Calls(storagetest.Put)})
			time.Sleep(away)
			st.Inject()
			if got, err := l.Confirm(t.Context()); err != nil || got != alive {
				t.Errorf("a lease that is %v old is alive: %v, %v", away, got, err)
			}
		})
	}
}

// A lease whose time can't be asked for is not taken, and nothing of it stays for which others would wait.
func TestTakingFails(t *testing.T) {
	leased(t, func(t *testing.T, r *Leases, st *storagetest.Faulty) {
		st.Inject(storagetest.Fault{Method: storagetest.Stat, From: st.Calls(storagetest.Stat), Once: true, Err: fs.ErrPermission})
		if _, err := r.Take(t.Context(), format.WorkReclaim, "hazel", ""); !errors.Is(err, fs.ErrPermission) {
			t.Errorf("%v, want ErrPermission", err)
		}
		if left, err := st.List(t.Context(), "leases"); err != nil || len(left) > 0 {
			t.Errorf("left: %v, %v", left, err)
		}
	})
}

// Of renewals nothing stays, be one of them not put.
func TestRenewalsThatFail(t *testing.T) {
	leased(t, func(t *testing.T, r *Leases, st *storagetest.Faulty) {
		l := take(t, r)
		st.Inject(storagetest.Fault{Method: storagetest.Put, From: st.Calls(storagetest.Put) + 1, Once: true})
		time.Sleep(4*leaseRenew + time.Second)
		l.End(t.Context())
		if infos, err := st.List(t.Context(), names.Leases); err != nil || len(infos) > 0 {
			t.Errorf("left: %v, %v", infos, err)
		}
	})
}

// A lease is as old as its mark may be: putting that may take long. By the medium's clock it is never later than so.
func TestSinceRenewal(t *testing.T) {
	leased(t, func(t *testing.T, r *Leases, st *storagetest.Faulty) {
		st.Before(func(m storagetest.Method, name string) {
			if m == storagetest.Stat {
				time.Sleep(20 * time.Minute) // the mark is there
			}
		})
		began := time.Now()
		l := take(t, r)
		st.Before(nil)
		defer l.End(t.Context())
		if since := l.SinceRenewal(); since < 20*time.Minute {
			t.Errorf("renewed %v ago, want 20 minutes", since)
		}
		if now := l.Now(); now.After(time.Now().Add(-ClockSlack)) || now.Before(began) {
			t.Errorf("the medium's time is %v", now)
		}
	})
}

// The first mark of a lease stays as long as it does, beside the last renewal alone.
func TestRenewals(t *testing.T) {
	leased(t, func(t *testing.T, r *Leases, st *storagetest.Faulty) {
		l := take(t, r)
		time.Sleep(3*leaseRenew + time.Second)
		infos, err := st.List(t.Context(), names.Leases)
		if err != nil || len(infos) != 2 || infos[0].Name != names.Lease(l.ID, 0) || infos[1].Name != names.Lease(l.ID, 3) {
			t.Errorf("there are %v, %v", infos, err)
		}
		l.End(t.Context())
		if infos, err := st.List(t.Context(), names.Leases); err != nil || len(infos) > 0 {
			t.Errorf("left: %v, %v", infos, err)
		}
	})
}

// Whoever reclaims removes a lease that it took for dead, and then the final mark: who looks in the other order may see neither gone.
func TestLooksAtItsLeaseLast(t *testing.T) {
	leased(t, func(t *testing.T, r *Leases, st *storagetest.Faulty) {
		l := take(t, r)
		defer l.End(t.Context())
		var calls []string
		st.Before(func(m storagetest.Method, name string) { calls = append(calls, string(m)+" "+name) })
		err := l.CheckAfter(t.Context(), func(*ledger.Batch) bool { return false })
		st.Before(nil)
		last := "stat " + names.Lease(l.ID, 0)
		if err != nil || len(calls) < 2 || slices.Index(calls, last) != len(calls)-1 {
			t.Errorf("%q, %v; want %q at the end alone", calls, err, last)
		}
	})
}

// A writer is alive for half an hour behind the last mark of its lease, whether that can be read or not, and began with the first one:
// where that is missing, it may have begun at any time.
func TestWriters(t *testing.T) {
	for _, test := range []struct {
		name  string
		marks []int // renewals, the last one last
		age   time.Duration
		alive bool
		began bool
	}{
		{"29 minutes", []int{0}, 29 * time.Minute, true, true},
		{"31 minutes", []int{0}, 31 * time.Minute, false, true},
		{"renewed", []int{0, 1, 10}, 29 * time.Minute, true, true},
		{"without the first mark", []int{10}, 29 * time.Minute, true, false},
	} {
		for _, unreadable := range []bool{false, true} {
			leased(t, func(t *testing.T, r *Leases, st *storagetest.Faulty) {
				id, first := names.NewLease(), time.Now()
				for _, n := range test.marks {
					time.Sleep(time.Until(first.Add(time.Duration(n) * leaseRenew)))
					if unreadable {
						st.Mark(t.Context(), names.Lease(id, n), []byte("bean"))
					} else if err := vault.PutMark(t.Context(), r.vault, format.Lease, names.Lease(id, n), &format.LeaseRecord{Work: format.WorkCapture}); err != nil {
						t.Fatal(err)
					}
				}
				time.Sleep(test.age)
				own := take(t, r)
				defer own.End(t.Context())
				others, err := r.Others(t.Context(), own)
				if err != nil || (len(others) == 1) != test.alive {
					t.Fatalf("%s, unreadable %v: at work are %v, %v", test.name, unreadable, others, err)
				}
				if want := map[bool]time.Time{true: first, false: time.Unix(0, 0)}[test.began]; test.alive && !Earliest(append(others, Writer{Began: time.Now()})).Equal(want) {
					t.Errorf("%s: it began %v, want %v", test.name, Earliest(others), want)
				}
				left, err := r.SomeLeft(t.Context(), own)
				if err != nil || left == test.alive {
					t.Errorf("%s: some are left: %v, %v", test.name, left, err)
				}
				if all, err := r.Writers(t.Context(), time.Now()); err != nil || !slices.ContainsFunc(all, func(w Writer) bool { return w.Lease == id && w.Alive == test.alive }) {
					t.Errorf("%s: writers are %v, %v", test.name, all, err)
				}
			})
		}
	}
}
