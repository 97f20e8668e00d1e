package storagetest

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store/storage"
)

// pattern gives n bytes that tell one place from another.
func pattern(n int) []byte {
	p := make([]byte, n)
	for i := range p {
		p[i] = byte(i ^ i>>8*7 ^ i>>16*13)
	}
	return p
}

func mustPut(t *testing.T, s storage.Storage, name string, content []byte) {
	t.Helper()
	if err := s.Put(t.Context(), name, bytes.NewReader(content)); err != nil {
		t.Fatal(err)
	}
}

func mustMark(t *testing.T, s storage.Storage, name string, content []byte) {
	t.Helper()
	if err := s.Mark(t.Context(), name, content); err != nil {
		t.Fatal(err)
	}
}

// wantObject tests that an object has a content, by ReadAt and by Stat.
func wantObject(t *testing.T, s storage.Storage, name string, want []byte) {
	t.Helper()
	got := make([]byte, len(want))
	if err := s.ReadAt(t.Context(), name, got, 0); err != nil {
		t.Error(err)
	} else if !bytes.Equal(got, want) {
		t.Errorf("%s: wrong content", name)
	}
	if info, err := s.Stat(t.Context(), name); err != nil {
		t.Error(err)
	} else if info.Name != name || info.Size != int64(len(want)) || info.Modified.IsZero() {
		t.Errorf("%s: Stat gives %+v, want %d bytes", name, info, len(want))
	}
}

func wantAbsent(t *testing.T, s storage.Storage, name string) {
	t.Helper()
	_, err := s.Stat(t.Context(), name)
	wantError(t, err, storage.ErrNotFound, name)
	wantError(t, s.ReadAt(t.Context(), name, make([]byte, 1), 0), storage.ErrNotFound, name)
	wantError(t, s.Remove(t.Context(), name), storage.ErrNotFound, name)
}

// wantError tests for an error that names the object.
func wantError(t *testing.T, got, want error, name string) {
	t.Helper()
	if !errors.Is(got, want) {
		t.Errorf("%s: got error %v, want %v", name, got, want)
	} else if e, ok := errors.AsType[*storage.Error](got); !ok || e.Name != name || !strings.Contains(got.Error(), name) {
		t.Errorf("error does not name %s: %v", name, got)
	}
}

func wantNames(t *testing.T, s storage.Storage, folder string, want ...string) {
	t.Helper()
	infos, err := s.List(t.Context(), folder)
	if err != nil {
		t.Error(err)
	}
	var got []string
	for _, info := range infos {
		got = append(got, info.Name)
	}
	if !slices.Equal(got, want) {
		t.Errorf("list %q: got %q, want %q", folder, got, want)
	}
}
