package lease

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// Index files that were put in the place of others are taken back where a slab that they need went by a final mark, also one that can't
// be read; where all slabs are there they stay, and it is waited until whoever put the mark is done.
func TestRewriting(t *testing.T) {
	used, other := format.SlabID{1}, format.SlabID{2}
	for _, test := range []struct {
		name   string
		named  []format.SlabID // by the final mark; nil: it can't be read
		before bool            // it was there at the beginning
		there  bool            // the slab is
		fails  bool
		stays  bool
		waits  time.Duration
	}{
		{"of others", []format.SlabID{other}, false, true, false, true, 0},
		{"gone", []format.SlabID{other, used}, false, false, true, false, 0},
		{"to go", []format.SlabID{used}, false, true, false, true, 2 * time.Minute},
		{"unreadable", nil, false, false, true, false, 0},
		{"unreadable from the start", nil, true, true, false, true, 0},
	} {
		t.Run(test.name, func(t *testing.T) {
			leased(t, func(t *testing.T, r *Leases, st *storagetest.Faulty) {
				l := take(t, r)
				defer l.End(t.Context())
				name := "condemned/20260314t0203z-k7f3.final"
				err := st.Put(t.Context(), names.Capture("20260314t0203z-k7f3", 1), strings.NewReader("index file"))
				if test.named == nil {
					err = errors.Join(err, st.Put(t.Context(), name, strings.NewReader("bean")))
				} else {
					b, putting := r.ledger.PutBatch(t.Context(), names.Final, &format.BatchRecord{Slabs: test.named})
					name, err = b, errors.Join(err, putting)
				}
				if test.there {
					err = errors.Join(err, st.Put(t.Context(), names.Slab(used), strings.NewReader("slab")))
				}
				if err != nil {
					t.Fatal(err)
				}
				w := l.Follow(map[format.SlabID]bool{used: true}, map[string]bool{name: test.before})
				w.Add(names.Capture("20260314t0203z-k7f3", 1))
				began := time.Now()
				// Not just when it looks.
				time.AfterFunc(2*time.Minute+time.Second, func() { st.Remove(t.Context(), name) })
				if err := w.Check(t.Context()); errors.Is(err, ErrOvertaken) != test.fails || !test.fails && err != nil {
					t.Errorf("%v; want ErrOvertaken: %v", err, test.fails)
				}
				if waited := time.Since(began); waited < test.waits || waited > test.waits+overtakenPoll {
					t.Errorf("it took %v, want %v", waited, test.waits)
				}
				if _, err := st.Stat(t.Context(), names.Capture("20260314t0203z-k7f3", 1)); errors.Is(err, storage.ErrNotFound) == test.stays {
					t.Errorf("the index file: %v; want it there: %v", err, test.stays)
				}
				time.Sleep(3 * time.Minute)
			})
		})
	}
}

// What is missing or damaged is laid to others where the lease was removed as that of somebody dead, and to nobody else.
func TestExplain(t *testing.T) {
	damaged := fmt.Errorf("frame 1: %w", format.ErrDamaged)
	for _, test := range []struct {
		met     error
		removed bool
		others  bool
	}{
		{damaged, true, true},
		{fmt.Errorf("slab: %w", storage.ErrNotFound), true, true},
		{damaged, false, false},
		{storage.ErrNotFound, false, false},
		{storage.ErrExists, true, false},
		{nil, true, false},
	} {
		leased(t, func(t *testing.T, r *Leases, st *storagetest.Faulty) {
			l := take(t, r)
			defer l.End(t.Context())
			if test.removed {
				if err := st.Remove(t.Context(), names.Lease(l.ID, 0)); err != nil {
					t.Fatal(err)
				}
			}
			if err := l.Explain(t.Context(), test.met); errors.Is(err, ErrOvertaken) != test.others || !test.others && err != test.met {
				t.Errorf("%v, removed %v: %v", test.met, test.removed, err)
			}
		})
	}
}

// A lease that does not show though it was put just now may have been removed as well as a storage may lag: both are told, and whoever
// went by it is overtaken.
func TestDoesNotShow(t *testing.T) {
	leased(t, func(t *testing.T, r *Leases, st *storagetest.Faulty) {
		l := take(t, r)
		defer l.End(t.Context())
		none := func(*ledger.Batch) bool { return false }
		for _, test := range []struct {
			stat error
			want []error
		}{
			{storage.ErrLate, []error{ErrOvertaken, storage.ErrLate}},
			{storage.ErrNotFound, []error{ErrOvertaken}},
			{fs.ErrPermission, []error{fs.ErrPermission}},
		} {
			st.Inject(storagetest.Fault{Method: storagetest.Stat, Err: test.stat})
			err := l.CheckAfter(t.Context(), none)
			for _, want := range test.want {
				if !errors.Is(err, want) {
					t.Errorf("%v: %v, want %v", test.stat, err, want)
				}
			}
			if errors.Is(err, ErrOvertaken) != (len(test.want) == 2 || test.stat == storage.ErrNotFound) {
				t.Errorf("%v: %v", test.stat, err)
			}
		}
		st.Inject()
	})
}
