package lease

import (
	"context"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
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

// endedProcess names a process that has ended.
func endedProcess(t *testing.T) string {
	t.Helper()
	c := exec.Command("cat")
	in, err := c.StdinPipe()
	if err == nil {
		err = c.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	process := processOf(c.Process.Pid)
	in.Close()
	if err := c.Wait(); err != nil || process == "" {
		t.Fatal(process, err)
	}
	return process
}

// A lease of this machine whose process ended is dead at once; of others the times tell, and nothing is read.
func TestSomeLeft(t *testing.T) {
	ended, home := endedProcess(t), t.TempDir()
	os.Chmod(home, 0o700)
	for _, test := range []struct {
		name string
		age  time.Duration
		own  bool // it was taken by this machine
		left bool
		read bool
	}{
		{"of another machine", 0, false, false, false},
		{"of this machine, ended", 0, true, true, true},
		{"old", Life + time.Minute, false, true, false},
		{"old, of this machine", Life + time.Minute, true, true, false},
	} {
		t.Run(test.name, func(t *testing.T) {
			mem, clock := storage.NewMemory(), time.Now()
			mem.SetNow(func() time.Time { return clock })
			requests := storagetest.NewRequests(mem)
			v, err := vault.Create(t.Context(), requests, crypt.NewKeyFile(), vault.Settings{Average: chunk.DefaultAverage}, crypt.SlotOptions{})
			if err != nil {
				t.Fatal(err)
			}
			defer v.Close()
			v.Keep(home, 1<<20, false)
			id := names.NewLease()
			if test.own {
				v.Copies().Add(ownName(id), nil)
			}
			if err := vault.PutMark(t.Context(), v, format.Lease, names.Lease(id, 0), &format.LeaseRecord{Began: clock.UTC(), Work: format.WorkCapture, Process: ended}); err != nil {
				t.Fatal(err)
			}
			clock = clock.Add(test.age)
			r := New(v, ledger.New(v, ledger.NewWatch()))
			for how, take := range map[string]func(context.Context, string, string, string) (*Lease, error){"take": r.Take, "take, looking": r.TakeLooking} {
				requests.Take()
				l, err := take(t.Context(), format.WorkCapture, "hazel", "seedbank")
				if err != nil {
					t.Fatal(err)
				}
				left, err := r.SomeLeft(t.Context(), l)
				if err != nil || left != test.left {
					t.Errorf("%s: some left: %v, %v; want %v", how, left, err, test.left)
				}
				all := requests.Take()
				if read := slices.ContainsFunc(all, func(r string) bool { return strings.HasPrefix(r, "read ") }); read != test.read {
					t.Errorf("%s: a lease is read: %v, want %v", how, read, test.read)
				}
				all = slices.DeleteFunc(all, func(r string) bool { return strings.HasPrefix(r, "read ") })
				if want := map[string]int{"take": 3, "take, looking": 2}[how]; len(all) != want {
					t.Errorf("%s: %q, want %d requests", how, all, want)
				}
				l.End(t.Context())
			}
		})
	}
}

// That a lease is of this machine is noted before the lease is there, and until it is gone.
func TestOwnLeaseIsNoted(t *testing.T) {
	home := t.TempDir()
	os.Chmod(home, 0o700)
	faulty := storagetest.NewFaulty(storage.NewMemory())
	v, err := vault.Create(t.Context(), faulty, crypt.NewKeyFile(), vault.Settings{Average: chunk.DefaultAverage}, crypt.SlotOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	v.Keep(home, 1<<20, false)
	r := New(v, ledger.New(v, ledger.NewWatch()))
	seen := 0
	faulty.Before(func(m storagetest.Method, name string) {
		if id, _, err := names.ParseLease(name); err == nil {
			seen++
			if !r.isOwn(id) {
				t.Errorf("%v %s: it is not noted", m, name)
			}
		}
	})
	l, err := r.Take(t.Context(), format.WorkCapture, "hazel", "seedbank")
	if err != nil {
		t.Fatal(err)
	}
	l.End(t.Context())
	if seen < 3 || r.isOwn(l.ID) {
		t.Errorf("%d calls; noted after the end: %v", seen, r.isOwn(l.ID))
	}
}
