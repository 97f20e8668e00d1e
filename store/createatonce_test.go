package store_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// TestCreateAtOnce has somebody make a repository in the same storage at each call of somebody who does: one of them succeeds,
// the other finds that there is one, and nothing of that one is left.
func TestCreateAtOnce(t *testing.T) {
	of := newFixture(t)
	one := map[string]creating{
		"without settings": creatingBy(store.CreateOptions{}),
		"deltas":           creatingBy(store.CreateOptions{Deltas: store.DeltasOn, Reserve: store.DefaultReserve}),
		"parity":           creatingBy(store.CreateOptions{Parity: 3}),
		"a second place": func(ctx context.Context, st storage.Storage, secret crypt.Secret) (*store.Repository, error) {
			return store.CreateReplica(ctx, st, of.Repository, secret, store.ReplicaOptions{Deltas: store.DeltasOn})
		},
	}
	for first, create := range one {
		for second, createToo := range one {
			t.Run(first+", "+second, func(t *testing.T) {
				for at, more := 0, true; more; at++ {
					more = createAtOnce(t, at, create, createToo)
				}
			})
		}
	}
}

type creating func(context.Context, storage.Storage, crypt.Secret) (*store.Repository, error)

func creatingBy(o store.CreateOptions) creating {
	return func(ctx context.Context, st storage.Storage, secret crypt.Secret) (*store.Repository, error) {
		return store.Create(ctx, st, secret, o)
	}
}

// createAtOnce has the second come before a call of the first, and tells whether the first made that call.
func createAtOnce(t *testing.T, at int, first, second creating) bool {
	t.Helper()
	mem := storage.NewMemory()
	faulty := storagetest.NewFaulty(mem)
	keys := []*crypt.KeyFile{crypt.NewKeyFile(), crypt.NewKeyFile()}
	var errs [2]error
	calls, came := 0, false
	faulty.Before(func(storagetest.Method, string) {
		if calls++; calls-1 == at {
			came = true
			errs[1] = closing(second(t.Context(), mem, keys[1]))
		}
	})
	errs[0] = closing(first(t.Context(), faulty, keys[0]))
	if !came {
		return false
	}
	won := 0
	if errs[0] != nil {
		won = 1
	}
	if errs[won] != nil || !errors.Is(errs[1-won], store.ErrExists) {
		t.Fatalf("at call %d: %v, and of who came then: %v", at, errs[0], errs[1])
	}
	if won == 1 && faulty.Calls(storagetest.Put) > 0 { // on a share it may take the place of what is there
		t.Fatalf("at call %d: who came too late has put something all the same", at)
	}
	checkAlone(t, fmt.Sprintf("at call %d", at), mem, keys[won])
	return true
}

func closing(r *store.Repository, err error) error {
	if err == nil {
		r.Close()
	}
	return err
}

// checkAlone finds a repository whole, and nothing of another one.
func checkAlone(t *testing.T, when string, mem *storage.Memory, key crypt.Secret) {
	t.Helper()
	r, err := store.Open(t.Context(), mem, key, store.OpenOptions{})
	if err != nil {
		t.Fatalf("%s: %v", when, err)
	}
	defer r.Close()
	report, err := r.Verify(t.Context(), store.VerifyOptions{Full: true})
	if err != nil {
		t.Fatal(err)
	}
	if !report.OK || len(report.Notes) > 0 {
		t.Fatalf("%s: %+v", when, report)
	}
	slots, err := r.Slots(t.Context())
	if err != nil || len(slots) != 1 {
		t.Fatalf("%s: %d key slots, %v", when, len(slots), err)
	}
	marks, err := mem.List(t.Context(), "place")
	if err != nil || len(marks)%2 != 0 { // of each mark that stays there is a second copy
		t.Fatalf("%s: %v, %v", when, marks, err)
	}
}

// TestCreateTakesBack has each call fail that makes a repository, once, before it was done, or after, or in its middle: what was
// put is taken back.
func TestCreateTakesBack(t *testing.T) {
	for name, o := range creations {
		for _, effect := range []storagetest.Effect{storagetest.Fail, storagetest.FailAfter, storagetest.TearAndFail} {
			t.Run(fmt.Sprint(name, effect), func(t *testing.T) {
				for at, more := 0, true; more; at++ {
					mem := storage.NewMemory()
					faulty := storagetest.NewFaulty(mem)
					faulty.Inject(storagetest.Fault{Method: storagetest.Any, From: at, Once: true, Effect: effect, Keep: 5})
					err := closing(store.Create(t.Context(), faulty, crypt.NewKeyFile(), o))
					if more = faulty.Calls(storagetest.Any) > at; err == nil {
						continue // what failed was needed by nobody
					}
					if left, err := mem.List(t.Context(), ""); err != nil || len(left) > 0 {
						t.Fatalf("after call %d: %v left, %v", at, left, err)
					}
				}
			})
		}
	}
}

// TestCreateInterrupted has the context end at each call: what was put is taken back all the same, or the repository was made by then, and
// opens. The calls fail from then on that go by the context which ended, and those that take back hang where the storage is away: that is
// waited for a few seconds.
func TestCreateInterrupted(t *testing.T) {
	for name, o := range creations {
		for _, away := range []bool{false, true} {
			for at, more := 0, true; more; at++ {
				synctest.Test(t, func(t *testing.T) {
					mem, key := storage.NewMemory(), crypt.NewKeyFile()
					faulty := storagetest.NewFaulty(mem)
					ctx, cancel := context.WithCancel(t.Context())
					defer cancel()
					calls := 0
					faulty.Before(func(storagetest.Method, string) {
						if calls++; calls == at+1 {
							cancel()
							if away {
								faulty.Inject(storagetest.Fault{Method: storagetest.Any, Effect: storagetest.Hang})
							}
						}
					})
					began := time.Now()
					err := closing(store.Create(ctx, faulty, key, o))
					more = calls > at
					if took := time.Since(began); took > 10*time.Second {
						t.Errorf("%s, away: %v, at call %d: it took %v", name, away, at, took)
					}
					left, listing := mem.List(t.Context(), "")
					switch {
					case listing != nil:
						t.Error(listing)
					case err == nil:
						if err := closing(store.Open(t.Context(), mem, key, store.OpenOptions{})); err != nil {
							t.Errorf("%s, away: %v, at call %d: made, and %v", name, away, at, err)
						}
					case !errors.Is(err, context.Canceled) || !away && len(left) > 0 || len(left) > 0 && !errors.Is(err, store.ErrLeft):
						t.Errorf("%s, away: %v, at call %d: %v; left: %v", name, away, at, err, left)
					}
				})
			}
		}
	}
}

// TestCreateInterruptedTooLate: from kist.json on the repository is made, and left as it is to be.
func TestCreateInterruptedTooLate(t *testing.T) {
	mem, key := storage.NewMemory(), crypt.NewKeyFile()
	faulty := storagetest.NewFaulty(mem)
	ctx, cancel := context.WithCancel(t.Context())
	faulty.Before(func(storagetest.Method, string) {
		if _, err := mem.Stat(t.Context(), "kist.json"); err == nil {
			cancel()
		}
	})
	err := closing(store.Create(ctx, faulty, key, creations["without settings"]))
	err = errors.Join(err, closing(store.Open(t.Context(), mem, key, store.OpenOptions{})))
	left, listing := mem.List(t.Context(), "place")
	if err != nil || listing != nil || len(left) > 0 || ctx.Err() == nil {
		t.Errorf("%v; %v, %v; interrupted: %v", err, left, listing, ctx.Err())
	}
}

// TestCreateSaysWhatIsLeft has all calls fail from one on: what is left then is told by name, and no more than that; and where kist.json is
// among it, there is a repository that opens.
func TestCreateSaysWhatIsLeft(t *testing.T) {
	for name, o := range creations {
		for at, more := 0, true; more; at++ {
			mem, key := storage.NewMemory(), crypt.NewKeyFile()
			faulty := storagetest.NewFaulty(mem)
			faulty.Inject(storagetest.Fault{Method: storagetest.Any, From: at, Effect: storagetest.FailAfter})
			err := closing(store.Create(t.Context(), faulty, key, o))
			if more = faulty.Calls(storagetest.Any) > at; err == nil {
				continue // what failed was needed by nobody
			}
			left, listing := mem.List(t.Context(), "")
			if listing != nil || len(left) > 0 != errors.Is(err, store.ErrLeft) {
				t.Fatalf("%s, from call %d on: %v are left, %v; %v", name, at, left, listing, err)
			}
			made := false
			for _, o := range left {
				made = made || o.Name == "kist.json"
				if !strings.Contains(err.Error(), o.Name) {
					t.Errorf("%s, from call %d on: %s is left, and not told: %v", name, at, o.Name, err)
				}
			}
			if made {
				if err := closing(store.Open(t.Context(), mem, key, store.OpenOptions{})); err != nil {
					t.Errorf("%s, from call %d on: %v", name, at, err)
				}
			}
		}
	}
}

var creations = map[string]store.CreateOptions{"without settings": {}, "parity": {Parity: 3, Deltas: store.DeltasOn, Reserve: store.DefaultReserve}}

// TestCreateTakesBackInOrder: as long as kist.json is there, all is that opens it, also where it can't be removed.
func TestCreateTakesBackInOrder(t *testing.T) {
	for name, o := range creations {
		for _, stays := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s, it stays: %v", name, stays), func(t *testing.T) {
				for at, more := 0, true; more; at++ {
					mem, key := storage.NewMemory(), crypt.NewKeyFile()
					faulty := storagetest.NewFaulty(mem)
					faulty.Inject(storagetest.Fault{Method: storagetest.Any, From: at, Once: true, Effect: storagetest.FailAfter})
					opens := func() {
						if _, err := mem.Stat(t.Context(), "kist.json"); err != nil {
							return
						}
						if err := closing(store.Open(t.Context(), mem, key, store.OpenOptions{})); err != nil {
							t.Fatalf("after call %d there is a repository that can't be opened: %v", at, err)
						}
					}
					faulty.Before(func(method storagetest.Method, name string) {
						opens()
						if stays && method == storagetest.Remove && name == "kist.json" {
							faulty.Inject(storagetest.Fault{Method: storagetest.Remove, From: faulty.Calls(storagetest.Remove), Once: true})
						}
					})
					closing(store.Create(t.Context(), faulty, key, o))
					opens()
					more = faulty.Calls(storagetest.Any) > at
				}
			})
		}
	}
}

// TestCreateLeavesOthers: where it is not known whether kist.json was put, and that of somebody else is there, it stays.
func TestCreateLeavesOthers(t *testing.T) {
	mem, theirs := storage.NewMemory(), []byte("theirs")
	faulty := storagetest.NewFaulty(mem)
	faulty.Before(func(method storagetest.Method, name string) {
		if method != storagetest.Put || name != "kist.json" {
			return
		}
		if err := mem.Put(t.Context(), name, bytes.NewReader(theirs)); err != nil {
			t.Error(err)
		}
		faulty.Inject(storagetest.Fault{Method: storagetest.Put, From: faulty.Calls(storagetest.Put), Once: true})
	})
	if err := closing(store.Create(t.Context(), faulty, crypt.NewKeyFile(), store.CreateOptions{})); !errors.Is(err, storagetest.ErrInjected) {
		t.Errorf("%v", err)
	}
	got := make([]byte, len(theirs))
	if err := mem.ReadAt(t.Context(), "kist.json", got, 0); err != nil || !bytes.Equal(got, theirs) {
		t.Errorf("%q, %v", got, err)
	}
}
