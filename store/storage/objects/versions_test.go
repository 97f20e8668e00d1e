package objects_test

import (
	"bytes"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"testing"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/objects"
	"github.com/kistarchive/kist/store/storage/objects/objectstest"
)

// TestRetained: what versions keep below the prefix is counted, page by page, and asked for only where the bucket keeps some.
func TestRetained(t *testing.T) {
	f := newFake(t)
	f.Page = 3
	s := f.open()
	put(t, s, "kist.json", "{}")
	f.Count("")
	if got, err := s.Retained(t.Context()); err != nil || got != (storage.Retained{}) || f.Count("GET") != 1 {
		t.Errorf("without versions: %+v, %v", got, err)
	}
	f.Versions = "Enabled"
	want := storage.Retained{}
	for i := range 8 {
		name := fmt.Sprint("slabs/", i)
		put(t, s, name, "12345")
		if i%3 > 0 {
			if err := s.Remove(t.Context(), name); err != nil {
				t.Fatal(err)
			}
			want.Objects, want.Bytes = want.Objects+1, want.Bytes+5
		}
		if i == 4 { // a name that is used again, as that of a slab that is mended
			put(t, s, name, "123456")
			if err := s.Remove(t.Context(), name); err != nil {
				t.Fatal(err)
			}
			want.Objects, want.Bytes = want.Objects+1, want.Bytes+6
		}
	}
	f.Old["hazelnut"] = f.Old["hazel/kist/slabs/1"]
	pages := 0
	f.Before = func(w http.ResponseWriter, r *http.Request) bool { // the list goes on behind what is known
		if !r.URL.Query().Has("versions") {
			return false
		}
		if pages++; pages%2 == 0 {
			objectstest.Refuse(w, http.StatusServiceUnavailable, "SlowDown")
			return true
		}
		return false
	}
	if got, err := s.Retained(t.Context()); err != nil || got != want {
		t.Errorf("%+v, %v; want %+v", got, err, want)
	}
	f.Denied = "versions"
	if _, err := s.Retained(t.Context()); !errors.Is(err, errors.ErrUnsupported) || !errors.Is(err, objects.ErrDenied) {
		t.Errorf("without the right: %v", err)
	}
}

// TestLockedBucket: a store that locks what is put wants a sum of its own with it, and gets one.
func TestLockedBucket(t *testing.T) {
	f := newFake(t)
	f.Versions, f.Locks = "Enabled", "COMPLIANCE"
	s := f.open()
	if got, err := s.Keeps(t.Context()); err != nil || got.Locked != objects.Yes || got.LockDefault != "COMPLIANCE, 1 DAYS" {
		t.Errorf("%+v, %v", got, err)
	}
	if _, err := s.Probe(t.Context()); err != nil {
		t.Error(err)
	}
	content := bytes.Repeat([]byte("seed"), objects.MaxWhole/4+1) // two parts
	if err := s.Put(t.Context(), "slabs/long", bytes.NewReader(content)); err != nil {
		t.Error(err)
	}
	f.Count("")
	put(t, s, "slabs/short", "12345")
	if n := f.Count("PUT"); n != 1 {
		t.Errorf("%d requests, once it is known: want 1", n)
	}
}

// TestCondition: whether a store ignores conditions that it knew the first object that is marked shows, once; where it does not, that
// object stays as it is. Any other answer tells nothing.
func TestCondition(t *testing.T) {
	for _, ignores := range []bool{false, true} {
		f := newFake(t)
		f.Ignores = ignores
		var told []bool
		s := f.open(func(o *objects.Options) { o.Condition = func(heeded bool) { told = append(told, heeded) } })
		for _, name := range []string{"leases/a", "leases/b"} {
			if err := s.Mark(t.Context(), name, []byte(name)); err != nil {
				t.Fatal(err)
			}
		}
		if n := f.Count("PUT"); n != 3 || !slices.Equal(told, []bool{!ignores}) {
			t.Errorf("ignored: %v: told %v, after %d writes", ignores, told, n)
		}
		if string(f.Objects["hazel/kist/leases/a"].Content) != "leases/a" {
			t.Errorf("ignored: %v: it is another one by now", ignores)
		}
		s = f.open()
		if err := s.Mark(t.Context(), "leases/c", nil); err != nil || f.Count("PUT") != 1 {
			t.Errorf("nobody wants to know: %v", err)
		}
	}
	f := newFake(t)
	f.Before = func(w http.ResponseWriter, r *http.Request) bool {
		taken := false
		f.Set(func() { _, taken = f.Objects["hazel/kist/leases/a"] })
		if taken {
			objectstest.Refuse(w, http.StatusForbidden, "AccessDenied")
		}
		return taken
	}
	s := f.open(func(o *objects.Options) { o.Condition = func(heeded bool) { t.Errorf("denied, and told: %v", heeded) } })
	if err := s.Mark(t.Context(), "leases/a", nil); err != nil {
		t.Error(err)
	}
}
