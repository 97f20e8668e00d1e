package store_test

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// withParity is prepared, with parity.
var withParity = []step{(*site).setupParity, takeStream("first")}

func (s *site) setupParity(ctx context.Context) (err error) {
	if s.folder, err = s.disk.Create(store.Folders()...); err != nil {
		return err
	}
	s.Repository, err = store.Create(ctx, s.folder, s.key, store.CreateOptions{Parity: 3})
	return err
}

func (s *site) changeParity(ctx context.Context) error {
	return s.SetParity(ctx, 5, store.MarkOptions{})
}

// harmMendably harms one of everything that parity or a second copy tells of.
func (s *site) harmMendably(ctx context.Context) error {
	s.harmed = true
	for _, folder := range []string{"slabs", "tables", "captures"} {
		infos, err := s.folder.List(ctx, folder)
		if err != nil {
			return err
		}
		if err := flip(ctx, s.folder, slices.MaxFunc(infos, bySize), 100, 30); err != nil {
			return err
		}
	}
	return nil
}

func bySize(a, b storage.Info) int { return cmp.Compare(a.Size, b.Size) }

// flip flips all bits of n bytes of an object.
func flip(ctx context.Context, st storage.Storage, info storage.Info, at, n int) error {
	b := make([]byte, info.Size)
	if err := st.ReadAt(ctx, info.Name, b, 0); err != nil {
		return err
	}
	for i := range n {
		b[at+i] ^= 0xff
	}
	return errors.Join(st.Remove(ctx, info.Name), st.Put(ctx, info.Name, bytes.NewReader(b)))
}

func (s *site) mend(ctx context.Context) error {
	out, err := s.Repair(ctx, store.RepairOptions{})
	if err == nil && (!out.Mended() || len(out.Healed) > 0) {
		err = fmt.Errorf("repaired: %+v", out)
	}
	return err
}

// mendLater repairs when the lease that a crash left is dead: nothing is damaged then.
func (s *site) mendLater(ctx context.Context) error {
	time.Sleep(time.Hour)
	if err := s.mend(ctx); err != nil {
		return err
	}
	s.harmed = false
	return nil
}

// loseIndexFile loses that of the first capture, which the second one saw.
func (s *site) loseIndexFile(ctx context.Context) error {
	s.harmed = true
	s.leaving[s.first[0]] = true
	return s.folder.Remove(ctx, "captures/"+s.first[0])
}

// findAgain is mendLater, after which no capture is missing.
func (s *site) findAgain(ctx context.Context) error {
	err := s.mendLater(ctx)
	clear(s.leaving)
	return err
}
