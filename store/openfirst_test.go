package store_test

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// TestOpenFirst: where the slot of last time opens the repository no others are asked for, and whatever is wrong with it, they are.
func TestOpenFirst(t *testing.T) {
	one, two, stranger := crypt.NewKeyFile(), crypt.NewKeyFile(), crypt.NewKeyFile()
	for name, test := range map[string]struct {
		harm   func(t *testing.T, mem *storage.Memory, name string)
		secret crypt.Secret
		want   error
		lists  bool
	}{
		"there":           {func(*testing.T, *storage.Memory, string) {}, one, nil, false},
		"another secret":  {func(*testing.T, *storage.Memory, string) {}, two, nil, true},
		"wrong secret":    {func(*testing.T, *storage.Memory, string) {}, stranger, store.ErrWrongSecret, true},
		"gone":            {removed, two, nil, true},
		"gone, its key":   {removed, one, store.ErrWrongSecret, true},
		"harmed":          {junked, two, nil, true},
		"harmed, its key": {junked, one, store.ErrDamagedSlot, true},
	} {
		t.Run(name, func(t *testing.T) {
			mem := storage.NewMemory()
			r, err := store.Create(t.Context(), mem, one, store.CreateOptions{})
			if err != nil {
				t.Fatal(err)
			}
			first := r.OpenedSlot()
			if _, err := r.AddSlot(t.Context(), two, crypt.SlotOptions{}); err != nil {
				t.Fatal(err)
			}
			r.Close()
			test.harm(t, mem, "keyslots/"+string(first)+".json")
			requests := storagetest.NewRequests(mem)
			r, err = store.Open(t.Context(), requests, test.secret, store.OpenOptions{Unlock: crypt.UnlockOptions{First: first}})
			if !errors.Is(err, test.want) || (err == nil) != (test.want == nil) {
				t.Errorf("got %v, want %v", err, test.want)
			}
			if err == nil {
				r.Close()
			}
			all := requests.Take()
			if lists := slices.Contains(all, "list keyslots"); lists != test.lists || !lists && len(all) != 3 {
				t.Errorf("slots are listed: %v, want %v:\n%s", lists, test.lists, strings.Join(all, "\n"))
			}
		})
	}
}

func removed(t *testing.T, mem *storage.Memory, name string) {
	if err := mem.Remove(t.Context(), name); err != nil {
		t.Fatal(err)
	}
}

func junked(t *testing.T, mem *storage.Memory, name string) {
	removed(t, mem, name)
	if err := mem.Put(t.Context(), name, strings.NewReader("{}")); err != nil {
		t.Fatal(err)
	}
}

// TestFoundOpens: what was found opens as often as is asked for, until it does.
func TestFoundOpens(t *testing.T) {
	mem, key := storage.NewMemory(), crypt.NewKeyFile()
	if _, err := store.Find(t.Context(), mem); !errors.Is(err, store.ErrNoRepository) {
		t.Errorf("in nothing there is found: %v", err)
	}
	r, err := store.Create(t.Context(), mem, key, store.CreateOptions{})
	if err != nil {
		t.Fatal(err)
	}
	r.Close()
	found, err := store.Find(t.Context(), mem)
	if err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		secret crypt.Secret
		want   error
	}{{crypt.NewKeyFile(), store.ErrWrongSecret}, {key, nil}, {key, nil}} {
		r, err := found.Open(t.Context(), test.secret, store.OpenOptions{})
		if !errors.Is(err, test.want) || err != nil && test.want == nil {
			t.Errorf("got %v, want %v", err, test.want)
		}
		if err == nil {
			if _, err := r.Captures(t.Context()); err != nil {
				t.Error(err)
			}
			r.Close()
		}
	}
}
