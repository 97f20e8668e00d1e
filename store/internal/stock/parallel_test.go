package stock

import (
	"context"
	"io"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"github.com/klauspost/compress/zstd"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/storage"
)

// parallel is a storage that likes several calls at the same time, and holds long reads back until there are so many.
type parallel struct {
	storage.Storage
	puts, reads int

	mu      sync.Mutex
	begun   int
	reached chan struct{}
}

func (p *parallel) Parallel() (writers, readers int) { return p.puts, p.reads }

func (p *parallel) ReadAt(ctx context.Context, name string, b []byte, off int64) error {
	if len(b) > 3*format.FrameTarget/2 { // of several frames, as no read is where it is near
		p.mu.Lock()
		if p.begun++; p.begun == p.reads {
			close(p.reached)
		}
		p.mu.Unlock()
		select {
		case <-p.reached:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return p.Storage.ReadAt(ctx, name, b, off)
}

// TestParallel: what a storage likes under way at the same time is what is put and read at the same time, also when all is read afresh.
func TestParallel(t *testing.T) {
	key := crypt.NewKeyFile()
	p := &parallel{Storage: storage.NewMemory(), puts: 5, reads: 3, reached: make(chan struct{})}
	r := newStock(t, p, key)
	cfg, err := r.IntakeConfig(t.Context(), known.New())
	if err != nil || cfg.Puts != p.puts {
		t.Fatalf("%d puts at the same time, %v", cfg.Puts, err)
	}
	if cfg, err := newStock(t, storage.NewMemory(), key).IntakeConfig(t.Context(), nil); err != nil || cfg.Puts != 0 {
		t.Errorf("%d puts where the storage has no opinion, %v", cfg.Puts, err)
	}
	if err := r.vault.SetParity(t.Context(), 5, "hazel"); err != nil {
		t.Fatal(err)
	}
	if cfg, err := r.IntakeConfig(t.Context(), nil); err != nil || cfg.Puts != p.puts-1 {
		t.Errorf("with parity %d puts at the same time, %v", cfg.Puts, err)
	}
	cfg.MaxChunk, cfg.Level = format.MaxChunk, zstd.SpeedFastest
	in, err := intake.New(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	s, random := in.Stream(intake.Contents), rand.NewChaCha8([32]byte{1})
	for range 12 {
		b, err := in.Reserve()
		if err != nil {
			t.Fatal(err)
		}
		random.Read(b[:format.FrameTarget])
		in.Put(s, format.FrameTarget)
	}
	if _, err := in.Close(); err != nil {
		t.Fatal(err)
	}
	var runs []format.Run
	if err := s.Runs(func(run format.Run) error { runs = append(runs, run); return nil }); err != nil {
		t.Fatal(err)
	}
	afresh, err := r.Afresh()
	if err != nil {
		t.Fatal(err)
	}
	defer afresh.vault.Slabs().Close()
	for name, slabs := range map[string]*fetch.Slabs{"opened": r.slabs, "afresh": afresh.slabs} {
		p.begun, p.reached = 0, make(chan struct{})
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute) // where too few are read it would wait for ever
		reader := slabs.Read(ctx, fetch.Inline(runs))
		for err == nil {
			_, err = reader.Next()
		}
		if reader.Close(); err != io.EOF || p.begun < p.reads {
			t.Errorf("%s: %v; %d reads were under way", name, err, p.begun)
		}
		err = nil
		cancel()
	}
}
