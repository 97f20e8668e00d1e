package storage

import (
	"errors"
	"io"
	"strings"
	"testing"
	"time"
)

func TestMemoryCrash(t *testing.T) {
	m := NewMemory()
	ctx := t.Context()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(m.Put(ctx, "slabs/flushed", strings.NewReader("flushed")))
	must(m.Put(ctx, "slabs/removed", strings.NewReader("removed")))
	must(m.Remove(ctx, "slabs/removed"))
	m.Flush(false)
	must(m.Put(ctx, "slabs/unflushed", strings.NewReader("unflushed")))
	must(m.Mark(ctx, "leases/unflushed", []byte("unflushed")))
	must(m.Remove(ctx, "slabs/flushed"))
	m.Flush(true)

	err := m.Put(ctx, "slabs/under-way", &afterwards{do: m.Crash})
	if !errors.Is(err, ErrGone) {
		t.Errorf("put during a crash: got %v", err)
	}
	want := map[string]int64{"slabs/flushed": 7, "leases/unflushed": 0}
	infos, err := m.List(ctx, "")
	if err != nil || len(infos) != len(want) {
		t.Errorf("after the crash: %v, %v", infos, err)
	}
	for _, info := range infos {
		if size, ok := want[info.Name]; !ok || size != info.Size {
			t.Errorf("after the crash: %+v", info)
		}
	}
	if err := m.ReadAt(ctx, "leases/unflushed", make([]byte, 1), 0); !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("an empty mark: got %v", err)
	}
}

func TestMemoryClock(t *testing.T) {
	m := NewMemory()
	at := time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC)
	m.SetNow(func() time.Time { return at })
	if now, err := m.Now(t.Context()); err != nil || !now.Equal(at) {
		t.Errorf("got %v, %v", now, err)
	}
	if err := m.Mark(t.Context(), "leases/x", nil); err != nil {
		t.Fatal(err)
	}
	if info, err := m.Stat(t.Context(), "leases/x"); err != nil || !info.Modified.Equal(at) {
		t.Errorf("got %v, %v", info, err)
	}
}
