package store_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

func TestOpenErrors(t *testing.T) {
	f := newFixture(t)
	whole := objects(t, f.mem)
	var slot string
	for name := range whole {
		if strings.HasPrefix(name, "keyslots/") {
			slot = name
		}
	}
	with := func(name string, change func([]byte) []byte) map[string][]byte {
		altered := clone(whole)
		altered[name] = change(whole[name])
		return altered
	}
	passphrase, err := crypt.NewPassphrase([]byte("bean"))
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		objects map[string][]byte
		secret  crypt.Secret
		want    error
	}{
		"nothing there":      {nil, f.key, store.ErrNoRepository},
		"another key file":   {whole, crypt.NewKeyFile(), store.ErrWrongSecret},
		"no passphrase slot": {whole, passphrase, crypt.ErrNoSlot},
		"damaged slot":       {with(slot, func(b []byte) []byte { return b[:len(b)/2] }), f.key, store.ErrDamagedSlot},
		"newer format": {with("kist.json", func(b []byte) []byte {
			return bytes.Replace(b, []byte(`"kist_format": 1`), []byte(`"kist_format": 2`), 1)
		}), f.key, store.ErrUnknownFormat},
		"changed setting": {with("kist.json", func(b []byte) []byte {
			return bytes.Replace(b, []byte("16384"), []byte("32768"), 1)
		}), f.key, store.ErrDamaged},
		"no JSON": {with("kist.json", func([]byte) []byte { return []byte("bean") }), f.key, store.ErrDamaged},
	} {
		t.Run(name, func(t *testing.T) {
			if _, err := store.Open(t.Context(), memoryOf(t, c.objects), c.secret, store.OpenOptions{}); !errors.Is(err, c.want) {
				t.Errorf("got %v, want %v", err, c.want)
			}
		})
	}
}

func TestCreateErrors(t *testing.T) {
	f := newFixture(t)
	if _, err := store.Create(t.Context(), f.mem, crypt.NewKeyFile(), store.CreateOptions{}); !errors.Is(err, store.ErrExists) {
		t.Errorf("over a repository: %v", err)
	}
	for _, n := range []int{1, 4096, 16383, 2 << 20, -1} {
		if _, err := store.Create(t.Context(), storage.NewMemory(), f.key, store.CreateOptions{ChunkAverage: n}); !errors.Is(err, store.ErrBadOptions) {
			t.Errorf("average of %d: %v", n, err)
		}
	}
}

func TestSlots(t *testing.T) {
	f := newFixture(t)
	second := crypt.NewKeyFile()
	added, err := f.AddSlot(t.Context(), second, crypt.SlotOptions{Label: "timer", Made: time.Unix(1, 0)})
	if err != nil {
		t.Fatal(err)
	}
	r, err := store.Open(t.Context(), f.mem, second, store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	slots, err := r.Slots(t.Context())
	if err != nil || len(slots) != 2 {
		t.Fatalf("%v, %v", slots, err)
	}
	first := slots[slices.IndexFunc(slots, func(s store.Slot) bool { return !s.Opened })].ID
	if err := r.RemoveSlot(t.Context(), "0000000000000000"); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("a slot that isn't there: %v", err)
	}
	if err := r.RemoveSlot(t.Context(), first); err != nil {
		t.Fatal(err)
	}
	if err := r.RemoveSlot(t.Context(), added.ID()); !errors.Is(err, store.ErrLastSlot) {
		t.Errorf("the last slot: %v", err)
	}
	if _, err := store.Open(t.Context(), f.mem, f.key, store.OpenOptions{}); !errors.Is(err, store.ErrWrongSecret) {
		t.Errorf("with the key that was removed: %v", err)
	}
}

func TestSelect(t *testing.T) {
	var captures []*store.Capture
	for i, name := range []string{"seedbank", "seedbank", "mail@host", ""} {
		captures = append(captures, &store.Capture{ID: fmt.Sprintf("2026031%dt0203z-k7f%d", i/2, i), Name: name})
	}
	for selector, want := range map[string]any{
		"20260310t0203z-k7f0": captures[0],
		"20260311t0203z-k7f3": captures[3],
		"20260310t0203z-k7f1": captures[1],
		"latest":              captures[3],
		"seedbank@latest":     captures[1],
		"mail@host@latest":    captures[2],
		"2026031":             store.ErrAmbiguous,
		"20260310":            store.ErrAmbiguous,
		"none@latest":         store.ErrNotFound,
		"2025":                store.ErrNotFound,
		"":                    store.ErrNotFound,
		"not-latest":          store.ErrNotFound,
	} {
		c, err := store.Select(captures, selector)
		if wantErr, ok := want.(error); ok && !errors.Is(err, wantErr) || !ok && (err != nil || c != want) {
			t.Errorf("%q: %v, %v", selector, c, err)
		}
	}
	if _, err := store.Select(nil, "latest"); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("latest of none: %v", err)
	}
}

func TestBadOptions(t *testing.T) {
	f := newFixture(t)
	v := stream(nil)
	for name, o := range map[string]store.CaptureOptions{
		"no volume":       {},
		"same name twice": {Volumes: []store.VolumeInput{v, v}},
		"no UTF-8":        {Name: "\xff", Volumes: []store.VolumeInput{v}},
		"year 20000":      {Taken: time.Date(20000, 1, 1, 0, 0, 0, 0, time.UTC), Volumes: []store.VolumeInput{v}},
		"year -1":         {Taken: time.Date(-1, 1, 1, 0, 0, 0, 0, time.UTC), Volumes: []store.VolumeInput{v}},
		"long label":      {Note: strings.Repeat("a", store.MaxLabel+1), Volumes: []store.VolumeInput{v}},
	} {
		if _, err := f.Capture(t.Context(), o); !errors.Is(err, store.ErrBadOptions) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestLabels captures several volumes with every label, and finds them again.
func TestLabels(t *testing.T) {
	f := newFixture(t)
	taken := time.Date(2026, 3, 14, 2, 3, 4, 5_000_000, time.FixedZone("", 3600))
	one, two := stream([]byte("1")), stream([]byte("22"))
	two.Name, two.MountPath, two.Source = "certs", "/etc/certs", "/var/lib/certs"
	c, err := f.Capture(t.Context(), store.CaptureOptions{
		Name: "seedbank", Version: "4.1.0", Note: "before the upgrade", Host: "hazel", Taken: taken,
		Labels: map[string]string{"image": "seedbank:4.1.0"}, Volumes: []store.VolumeInput{one, two},
	})
	if err != nil {
		t.Fatal(err)
	}
	found, err := f.Find(t.Context(), c.ID)
	if err != nil {
		t.Fatal(err)
	}
	if got, want := asJSON(t, found), asJSON(t, c); got != want {
		t.Errorf("captured %s\nfound    %s", want, got)
	}
	if !found.Taken.Equal(taken) || !strings.HasPrefix(found.ID, "20260314t0103z-") || found.Bytes != 3 || found.Members != 2 {
		t.Errorf("%+v", found)
	}
	if v, err := found.Volume("certs"); err != nil || v.MountPath != "/etc/certs" || v.Bytes != 2 {
		t.Errorf("%+v, %v", v, err)
	}
	if _, err := found.Volume(""); !errors.Is(err, store.ErrAmbiguous) {
		t.Errorf("one of two volumes: %v", err)
	}
	if _, err := found.Volume("mail"); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("a volume that isn't there: %v", err)
	}
}

func asJSON(t *testing.T, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
