package lease

import (
	"context"
	"errors"
	"io/fs"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

func left(t *testing.T, st storage.Storage) []storage.Info {
	t.Helper()
	infos, err := st.List(context.Background(), names.Leases)
	if err != nil {
		t.Fatal(err)
	}
	return infos
}

// A lease that could not be taken as the call ended goes all the same.
func TestTakingEnds(t *testing.T) {
	leased(t, func(t *testing.T, r *Leases, st *storagetest.Faulty) {
		ctx, cancel := context.WithCancel(t.Context())
		st.Before(func(m storagetest.Method, _ string) {
			if m == storagetest.Stat {
				cancel()
			}
		})
		if _, err := r.Take(ctx, format.WorkReclaim, "hazel", ""); !errors.Is(err, context.Canceled) {
			t.Errorf("%v, want Canceled", err)
		}
		st.Before(nil)
		if left := left(t, st); len(left) > 0 {
			t.Errorf("left: %v", left)
		}
	})
}

// A lease whose name another one has is not taken, and that one stays.
func TestTakingOthers(t *testing.T) {
	leased(t, func(t *testing.T, r *Leases, st *storagetest.Faulty) {
		once := true
		st.Before(func(m storagetest.Method, name string) {
			if strings.HasPrefix(name, names.Leases+"/") && once {
				once = false
				if err := st.Mark(t.Context(), name, []byte("of others")); err != nil {
					t.Error(err)
				}
			}
		})
		if _, err := r.Take(t.Context(), format.WorkReclaim, "hazel", ""); !errors.Is(err, storage.ErrExists) {
			t.Errorf("%v, want ErrExists", err)
		}
		st.Before(nil)
		if left := left(t, st); len(left) != 1 {
			t.Errorf("there are %v, want the lease of others", left)
		}
	})
}

// A storage that never shows what was put is tried a few times.
func TestTakingNeverShows(t *testing.T) {
	leased(t, func(t *testing.T, r *Leases, st *storagetest.Faulty) {
		st.Reset()
		st.Inject(storagetest.Fault{Method: storagetest.Stat, Err: storage.ErrNotFound})
		if _, err := r.Take(t.Context(), format.WorkReclaim, "hazel", ""); !errors.Is(err, storage.ErrNotFound) {
			t.Errorf("%v, want ErrNotFound", err)
		}
		if tries, left := st.Calls(storagetest.Stat), left(t, st); tries != leaseTries || len(left) > 0 {
			t.Errorf("%d tries, left: %v", tries, left)
		}
	})
}

// A lease lives, and goes, by its end, not by the call that took it.
func TestOutlivesTheCall(t *testing.T) {
	leased(t, func(t *testing.T, r *Leases, st *storagetest.Faulty) {
		ctx, cancel := context.WithCancel(t.Context())
		l, err := r.Take(ctx, format.WorkCapture, "hazel", "seedbank")
		if err != nil {
			t.Fatal(err)
		}
		cancel()
		time.Sleep(leaseRenew + time.Second)
		if there := left(t, st); len(there) != 2 {
			t.Errorf("there are %v, want a renewal beside the first mark", there)
		}
		l.End(ctx)
		if left := left(t, st); len(left) > 0 {
			t.Errorf("left: %v", left)
		}
	})
}

// passed gives a time after which so long went by on the machine's wall clock, and so long on its monotonic one, which stands still
// while the machine sleeps. Nothing but package time itself can tell the two apart, which keeps the latter in its field ext.
func passed(wall, monotonic time.Duration) time.Time {
	at := time.Now().Add(-wall)
	*(*int64)(reflect.ValueOf(&at).Elem().FieldByName("ext").Addr().UnsafePointer()) += int64(wall - monotonic)
	return at
}

// A lease is as old as the clock says that went further: of a machine that slept, or one whose wall clock was set back.
func TestSinceRenewalByBothClocks(t *testing.T) {
	for _, test := range []struct{ wall, monotonic, want time.Duration }{
		{20 * time.Minute, time.Minute, 20 * time.Minute},
		{-time.Hour, 20 * time.Minute, 20 * time.Minute},
	} {
		l := &Lease{local: passed(test.wall, test.monotonic)}
		if got := l.SinceRenewal(); got < test.want || got > test.want+time.Minute {
			t.Errorf("%v by the wall clock, %v by the other: renewed %v ago", test.wall, test.monotonic, got)
		}
	}
}

// Whether anything may be removed is told by renewals, and at the end by the lease itself.
func TestRemoves(t *testing.T) {
	for _, test := range []struct {
		removing error
		removes  bool
		stays    bool
	}{
		{nil, true, false},
		{fs.ErrPermission, false, true},
		{storagetest.ErrInjected, true, false}, // it may be another time
	} {
		leased(t, func(t *testing.T, r *Leases, st *storagetest.Faulty) {
			l := take(t, r)
			if test.removing != nil {
				st.Inject(storagetest.Fault{Method: storagetest.Remove, Err: test.removing})
			}
			if removes, err := l.Removes(t.Context()); err != nil || removes != test.removes {
				t.Errorf("%v: it removes: %v, %v", test.removing, removes, err)
			}
			l.End(t.Context())
			if l.Stays() != test.stays {
				t.Errorf("%v: it stays: %v", test.removing, l.Stays())
			}
		})
	}
}

// A lease that others removed by the time it is renewed, or that the medium's clock jumped past, lapsed.
func TestLapsesElse(t *testing.T) {
	for name, lapse := range map[string]func(*testing.T, *Lease, *storagetest.Faulty){
		"removed": func(_ *testing.T, _ *Lease, st *storagetest.Faulty) {
			st.Inject(storagetest.Fault{Method: storagetest.Stat, Err: storage.ErrNotFound})
			time.Sleep(leaseRenew + time.Second)
		},
		"the clock jumped": func(t *testing.T, l *Lease, _ *storagetest.Faulty) {
			l.mu.Lock()
			l.at = l.at.Add(-Life) // what it is by now is later by that
			l.mu.Unlock()
			time.Sleep(leaseRenew + time.Second)
		},
	} {
		t.Run(name, func(t *testing.T) {
			leased(t, func(t *testing.T, r *Leases, st *storagetest.Faulty) {
				l := take(t, r)
				defer l.End(t.Context())
				lapse(t, l, st)
				if err := l.Check(t.Context()); !errors.Is(err, ErrOvertaken) {
					t.Errorf("%v, want ErrOvertaken", err)
				}
			})
		})
	}
}

// Who marked captures is overtaken by a final mark that names one of them, and by one that can't be read and was not there before.
func TestCheckMarked(t *testing.T) {
	const ours, other = "20260314t0203z-k7f3", "20260315t0203z-k7f3"
	for _, test := range []struct {
		name   string
		named  []string // nil: it can't be read
		before bool
		fails  bool
	}{
		{"ours", []string{other, ours}, true, true},
		{"another", []string{other}, false, false},
		{"unreadable", nil, false, true},
		{"unreadable from the start", nil, true, false},
	} {
		leased(t, func(t *testing.T, r *Leases, st *storagetest.Faulty) {
			l := take(t, r)
			defer l.End(t.Context())
			before, err := r.ledger.ReadStages(t.Context(), names.Final)
			if test.named == nil {
				err = errors.Join(err, st.Put(t.Context(), "condemned/20260314t0203z-k7f3.final", strings.NewReader("bean")))
			} else {
				_, putting := r.ledger.PutBatch(t.Context(), names.Final, &format.BatchRecord{Captures: test.named})
				err = errors.Join(err, putting)
			}
			if err == nil && test.before {
				before, err = r.ledger.ReadStages(t.Context(), names.Final)
			}
			if err != nil {
				t.Fatal(err)
			}
			if err := l.CheckMarked(t.Context(), []string{ours}, before); errors.Is(err, ErrOvertaken) != test.fails || !test.fails && err != nil {
				t.Errorf("%s: %v; want ErrOvertaken: %v", test.name, err, test.fails)
			}
		})
	}
}

// Where nothing was put, nothing is asked; where no slabs can be listed, nothing is taken back; and what is to be taken back may be gone.
func TestRewritingFails(t *testing.T) {
	used := format.SlabID{1}
	file := names.Capture("20260314t0203z-k7f3", 1)
	for _, test := range []struct {
		name  string
		fault storagetest.Fault
		there bool // the index file is
		want  error
		stays bool
	}{
		{"nothing put", storagetest.Fault{}, false, nil, false},
		{"no list of slabs", storagetest.Fault{Method: storagetest.List, From: 1, Err: fs.ErrPermission}, true, fs.ErrPermission, true},
		{"gone", storagetest.Fault{Method: storagetest.Remove, Once: true, Err: storage.ErrNotFound}, true, ErrOvertaken, true},
		{"not to be removed", storagetest.Fault{Method: storagetest.Remove, Err: fs.ErrPermission}, true, fs.ErrPermission, true},
	} {
		leased(t, func(t *testing.T, r *Leases, st *storagetest.Faulty) {
			l := take(t, r)
			defer l.End(t.Context())
			w := l.Follow(map[format.SlabID]bool{used: true}, nil)
			if test.there {
				w.Add(file)
				if err := st.Put(t.Context(), file, strings.NewReader("index file")); err != nil {
					t.Fatal(err)
				}
				if _, err := r.ledger.PutBatch(t.Context(), names.Final, &format.BatchRecord{Slabs: []format.SlabID{used}}); err != nil {
					t.Fatal(err)
				}
			}
			st.Reset()
			if test.there {
				st.Inject(test.fault)
			}
			err := w.Check(t.Context())
			if calls := st.Calls(storagetest.Any); !test.there && calls > 0 {
				t.Errorf("%s: %d calls", test.name, calls)
			}
			st.Inject()
			if !errors.Is(err, test.want) || test.want == ErrOvertaken && errors.Is(err, storage.ErrNotFound) {
				t.Errorf("%s: %v, want %v", test.name, err, test.want)
			}
			if _, err := st.Stat(t.Context(), file); (err == nil) != test.stays {
				t.Errorf("%s: the index file: %v", test.name, err)
			}
		})
	}
}

// Whatever else keeps a look at the lease from telling anything, what was met stays what it was.
func TestExplainsNothing(t *testing.T) {
	leased(t, func(t *testing.T, r *Leases, st *storagetest.Faulty) {
		l := take(t, r)
		defer l.End(t.Context())
		st.Inject(storagetest.Fault{Method: storagetest.Stat, Err: fs.ErrPermission})
		if err := l.Explain(t.Context(), format.ErrDamaged); err != format.ErrDamaged {
			t.Errorf("%v, want ErrDamaged", err)
		}
		st.Inject()
	})
}

// Whoever put a final mark that never goes is waited for only so long.
func TestRewritingWaitsNotForEver(t *testing.T) {
	used := format.SlabID{1}
	leased(t, func(t *testing.T, r *Leases, st *storagetest.Faulty) {
		l := take(t, r)
		defer l.End(t.Context())
		_, err := r.ledger.PutBatch(t.Context(), names.Final, &format.BatchRecord{Slabs: []format.SlabID{used}})
		if err = errors.Join(err, st.Put(t.Context(), names.Slab(used), strings.NewReader("slab"))); err != nil {
			t.Fatal(err)
		}
		w := l.Follow(map[format.SlabID]bool{used: true}, nil)
		w.Add(names.Capture("20260314t0203z-k7f3", 1))
		ctx, cancel := context.WithTimeout(t.Context(), time.Hour)
		defer cancel()
		began := time.Now()
		if err := w.Check(ctx); !errors.Is(err, ErrOvertaken) {
			t.Errorf("%v, want ErrOvertaken", err)
		}
		if waited := time.Since(began); waited < overtakenTime || waited > overtakenTime+overtakenPoll {
			t.Errorf("it took %v, want %v", waited, overtakenTime)
		}
	})
}
