package mend

import (
	"bytes"
	"errors"
	"testing"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/check"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// A chunk of another place is what it is by its identity, wherever a table says that it lies.
func TestReadThere(t *testing.T) {
	ctx := t.Context()
	v, err := vault.Create(ctx, storage.NewMemory(), crypt.NewKeyFile(), vault.Settings{Average: chunk.DefaultAverage}, crypt.SlotOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	r := New(stock.New(v, ledger.NewWatch()))
	l, err := r.leases.Take(ctx, format.WorkRepair, "hazel", "")
	if err != nil {
		t.Fatal(err)
	}
	defer l.End(ctx)
	p := &repairer{r: r, lease: l, v: &check.Findings{}, from: &other{Stock: r.stock}}
	h, err := p.newHealer(ctx, "seedbank")
	if err != nil {
		t.Fatal(err)
	}
	to, contents := h.w.NewStrands().Contents, [][]byte{[]byte("bean"), []byte("poppy")}
	for _, b := range contents {
		buf, err := h.w.Intake.Reserve()
		if err != nil {
			t.Fatal(err)
		}
		h.w.Intake.Put(to, copy(buf, b))
	}
	if _, err := h.w.Intake.Close(); err != nil {
		t.Fatal(err)
	}
	slabs, err := v.ListSlabs(ctx)
	if err != nil || len(slabs) != 1 {
		t.Fatalf("%v, %v", slabs, err)
	}
	v.Slabs().Expect(slabs.Length)
	rec, err := r.stock.RecoverSlab(ctx, slabs[0].ID)
	if err != nil {
		t.Fatal(err)
	}
	ids := stock.IdentitiesOf(rec)
	for n, b := range contents {
		if got, err := p.readThere(ctx, ids[n], place{rec.Slab, uint32(n)}); err != nil || !bytes.Equal(got, b) {
			t.Errorf("chunk %d: %q, %v", n, got, err)
		}
		if got, err := p.readThere(ctx, ids[1-n], place{rec.Slab, uint32(n)}); !errors.Is(err, format.ErrDamaged) {
			t.Errorf("chunk %d for another one: %q, %v", n, got, err)
		}
	}
}
