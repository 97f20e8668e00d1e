package limit_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/limit"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

func TestStorage(t *testing.T) {
	storagetest.Run(t, func(t *testing.T) storage.Storage {
		s, err := limit.New(storage.NewMemory(), 1<<40)
		if err != nil {
			t.Fatal(err)
		}
		return s
	})
}

func TestRate(t *testing.T) {
	if _, err := limit.New(storage.NewMemory(), limit.MinRate-1); !errors.Is(err, limit.ErrRate) {
		t.Error(err)
	}
	synctest.Test(t, func(t *testing.T) {
		const rate, size = 1 << 20, 20 << 20
		s, err := limit.New(storage.NewMemory(), rate)
		if err != nil {
			t.Fatal(err)
		}
		took := func(do func() error) time.Duration {
			began := time.Now()
			if err := do(); err != nil {
				t.Fatal(err)
			}
			return time.Since(began)
		}
		content := make([]byte, size)
		// After a pause, half a second's worth comes at once: of 20 s, 19.5 are left.
		if d := took(func() error { return s.Put(t.Context(), "slabs/a", bytes.NewReader(content)) }); d < 19*time.Second || d > 20*time.Second {
			t.Errorf("putting 20 s' worth took %v", d)
		}
		if d := took(func() error { return s.ReadAt(t.Context(), "slabs/a", content, 0) }); d < 19*time.Second || d > 21*time.Second {
			t.Errorf("reading 20 s' worth took %v", d)
		}
		time.Sleep(time.Hour)
		if d := took(func() error { return s.ReadAt(t.Context(), "slabs/a", content[:2*rate], 0) }); d < time.Second || d > 2*time.Second {
			t.Errorf("reading 2 s' worth after an hour took %v: no more than a second's may come at once", d)
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if err := s.Put(ctx, "slabs/b", bytes.NewReader(content)); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("put when its time was up: %v", err)
		}
	})
}

// watched is a storage that knows how much was read at a time, and what was told to it.
type watched struct {
	*storage.Memory
	most     int
	optional []string
}

func (w *watched) ReadAt(ctx context.Context, name string, p []byte, off int64) error {
	w.most = max(w.most, len(p))
	return w.Memory.ReadAt(ctx, name, p, off)
}

func (w *watched) SetOptional(folders ...string) { w.optional = folders }

// powerful is a storage that says which of its powers were used, and with what.
type powerful struct {
	*storage.Memory
	used []string
}

func (p *powerful) note(what ...any) { p.used = append(p.used, fmt.Sprint(what...)) }

func (p *powerful) Now(context.Context) (time.Time, error) { return time.Unix(1, 0), nil }

func (p *powerful) SetAnchor(name string) error { p.note("anchor ", name); return storage.ErrGone }

func (p *powerful) SetOptional(folders ...string) { p.note("optional ", folders) }

func (p *powerful) RemoveAside(_ context.Context, age time.Duration) ([]storage.Info, error) {
	p.note("sweep ", age)
	return []storage.Info{{Name: "slabs/a"}}, nil
}

func (p *powerful) Names(_ context.Context, folder string) ([]string, error) {
	p.note("names ", folder)
	return []string{"slabs/a"}, nil
}

func (p *powerful) ListAfter(_ context.Context, folder, after string) ([]storage.Info, error) {
	p.note("list ", folder, " after ", after)
	return []storage.Info{{Name: "slabs/b"}}, nil
}

func (p *powerful) ReadFront(_ context.Context, name string, b []byte) (storage.Info, error) {
	p.note("front of ", name, " ", len(b))
	return storage.Info{Name: name, Size: 7}, nil
}

func (p *powerful) Drop(_ context.Context, name string) error { p.note("drop ", name); return nil }

func (p *powerful) Parallel() (writers, readers int) { return 3, 16 }

// TestPassesPowersOn: what is inside can do is done by it, and by nobody else where it can't.
func TestPassesPowersOn(t *testing.T) {
	inner := &powerful{Memory: storage.NewMemory()}
	s, err := limit.New(inner, limit.MinRate)
	if err != nil {
		t.Fatal(err)
	}
	if now, err := s.Now(t.Context()); err != nil || !now.Equal(time.Unix(1, 0)) {
		t.Errorf("now: %v, %v", now, err)
	}
	if err := s.SetAnchor("kist.json"); !errors.Is(err, storage.ErrGone) {
		t.Errorf("anchor: %v", err)
	}
	s.SetOptional("holds", "spare")
	if removed, err := s.RemoveAside(t.Context(), time.Hour); err != nil || len(removed) != 1 {
		t.Errorf("sweep: %v, %v", removed, err)
	}
	if names, err := s.Names(t.Context(), "slabs"); err != nil || len(names) != 1 {
		t.Errorf("names: %v, %v", names, err)
	}
	if infos, err := s.ListAfter(t.Context(), "slabs", "slabs/a"); err != nil || len(infos) != 1 {
		t.Errorf("list: %v, %v", infos, err)
	}
	if writers, readers := s.Parallel(); writers != 3 || readers != 16 {
		t.Errorf("parallel: %d, %d", writers, readers)
	}
	if info, err := s.ReadFront(t.Context(), "kist.json", make([]byte, 9)); err != nil || info.Size != 7 {
		t.Errorf("front: %v, %v", info, err)
	}
	if err := s.Drop(t.Context(), "slabs/a"); err != nil {
		t.Errorf("drop: %v", err)
	}
	want := []string{"anchor kist.json", "optional [holds spare]", "sweep 1h0m0s", "names slabs", "list slabs after slabs/a", "front of kist.json 9", "drop slabs/a"}
	if !slices.Equal(inner.used, want) {
		t.Errorf("it was told %q, want %q", inner.used, want)
	}
	bare, err := limit.New(struct{ storage.Storage }{storage.NewMemory()}, limit.MinRate)
	if err != nil {
		t.Fatal(err)
	}
	_, now := bare.Now(t.Context())
	_, swept := bare.RemoveAside(t.Context(), 0)
	_, named := bare.Names(t.Context(), "")
	_, listed := bare.ListAfter(t.Context(), "", "")
	_, front := bare.ReadFront(t.Context(), "kist.json", nil)
	for power, err := range map[string]error{"front": front, "drop": bare.Drop(t.Context(), "kist.json"), "now": now, "anchor": bare.SetAnchor("kist.json"), "sweep": swept, "names": named, "list": listed} {
		if !errors.Is(err, errors.ErrUnsupported) {
			t.Errorf("%s: %v, want ErrUnsupported", power, err)
		}
	}
}

// TestEachCallIsLimited: marks count, too; no call takes much at once; a time that is up is told as that, and when it is; what is
// inside learns what it is told.
func TestEachCallIsLimited(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const rate, most = 1 << 20, 750 * time.Millisecond
		inner := &watched{Memory: storage.NewMemory()}
		s, err := limit.New(inner, rate)
		if err != nil {
			t.Fatal(err)
		}
		content := make([]byte, 4*rate)
		began := time.Now()
		if err := s.Mark(t.Context(), "slabs/a", content); err != nil || time.Since(began) < 3*time.Second {
			t.Errorf("a mark of 4 s' worth took %v (%v)", time.Since(began), err)
		}
		if err := s.ReadAt(t.Context(), "slabs/a", content, 0); err != nil || inner.most > 64<<10 {
			t.Errorf("%d bytes were read at once (%v)", inner.most, err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), most)
		defer cancel()
		began = time.Now()
		if err := s.Mark(ctx, "slabs/b", content); !errors.Is(err, context.DeadlineExceeded) || time.Since(began) != most {
			t.Errorf("after %v: %v", time.Since(began), err)
		}
		if s.SetOptional("spare"); len(inner.optional) != 1 {
			t.Errorf("%q", inner.optional)
		}
	})
}
