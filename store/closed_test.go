package store_test

import (
	"bytes"
	"errors"
	"io"
	"maps"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
)

// After Close the keys are gone: whatever needs one says so, writes nothing and does
// not panic.
func TestClosed(t *testing.T) {
	f := newFixture(t)
	f.harmed = true // nothing is: a closed repository can't be verified
	c := f.capture(tarOf(t, file{name: "catalogue", content: random(1, 100_000)}))
	other := f.capture(tarOf(t, file{name: "catalogue", content: random(2, 100_000)}))
	r, v := f.Repository, &c.Volumes[0]
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	before := objects(t, f.mem)
	ctx := t.Context()
	for name, use := range map[string]func() error{
		"Captures":    func() error { _, err := r.Captures(ctx); return err },
		"AllCaptures": func() error { _, err := r.AllCaptures(ctx); return err },
		"Find":        func() error { _, err := r.Find(ctx, c.ID); return err },
		"Capture": func() error {
			_, err := r.Capture(ctx, store.CaptureOptions{Volumes: []store.VolumeInput{stream([]byte("bean"))}})
			return err
		},
		"Draft": func() error {
			_, err := r.Draft(ctx, store.CaptureOptions{Volumes: []store.VolumeInput{stream([]byte("bean"))}})
			return err
		},
		"Compare": func() error {
			for _, err := range r.Compare(ctx, c, other, store.CompareOptions{}) {
				if err != nil {
					return err
				}
			}
			return nil
		},
		"Members": func() error {
			for _, err := range r.Members(ctx, v) {
				if err != nil {
					return err
				}
			}
			return nil
		},
		"OpenMember": func() error {
			_, content, err := r.OpenMember(ctx, v, "catalogue")
			if err != nil {
				return err
			}
			_, err = io.Copy(io.Discard, content)
			return errors.Join(err, content.Close())
		},
		"Restore": func() error { return r.Restore(ctx, v, new(bytes.Buffer), store.RestoreOptions{}) },
		"OpenVolume": func() error {
			_, err := r.OpenVolume(ctx, v)
			return err
		},
		"FreedBy": func() error {
			_, err := r.FreedBy(ctx, []string{c.ID})
			return err
		},
		"RestoreMembers": func() error {
			_, err := r.RestoreMembers(ctx, v, func(string) bool { return true }, io.Discard, store.RestoreOptions{})
			return err
		},
		"Reclaim":       func() error { _, err := r.Reclaim(ctx, store.ReclaimOptions{}); return err },
		"Repair":        func() error { _, err := r.Repair(ctx, store.RepairOptions{}); return err },
		"RebuildTables": func() error { _, err := r.RebuildTables(ctx); return err },
		"Hold":          func() error { return r.Hold(ctx, []string{c.ID}, store.MarkOptions{}) },
		"Retire":        func() error { return r.Retire(ctx, []string{c.ID}, store.MarkOptions{}) },
		"Slots":         func() error { _, err := r.Slots(ctx); return err },
		"AddSlot":       func() error { _, err := r.AddSlot(ctx, crypt.NewKeyFile(), crypt.SlotOptions{}); return err },
		"RemoveSlot":    func() error { return r.RemoveSlot(ctx, r.OpenedSlot()) },
		"RenewSlot":     func() error { _, err := r.RenewSlot(ctx, f.key); return err },
		"Usage":         func() error { _, err := r.Usage(ctx); return err },
		"Verify":        func() error { _, err := r.Verify(ctx, store.VerifyOptions{Full: true}); return err },
	} {
		if err := use(); !errors.Is(err, store.ErrClosed) {
			t.Errorf("%s after Close: %v, want %v", name, err, store.ErrClosed)
		}
	}
	if after := objects(t, f.mem); !maps.EqualFunc(before, after, bytes.Equal) {
		t.Error("something was written after Close")
	}
	if r.ID() == (crypt.RepositoryID{}) || r.Close() != nil {
		t.Error("ID, or a second Close")
	}

	empty := newFixture(t)
	empty.harmed = true
	empty.Close()
	if report, err := empty.Verify(ctx, store.VerifyOptions{}); !errors.Is(err, store.ErrClosed) {
		t.Errorf("Verify of an empty one: %+v, %v", report, err)
	}
}
