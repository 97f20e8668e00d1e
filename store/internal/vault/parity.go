package vault

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// changing are the settings of a place that may be changed. Their marks lie in a folder that is listed
// whenever a repository is opened, so that where there are none, nobody asks for them.
type changing struct {
	mu     sync.Mutex
	marks  []storage.Info // the last that opens counts
	record *format.SettingsRecord
}

// Parity gives how much parity slabs get that are written here, in percent of a slab; 0: none. Where there is
// some, small objects have second copies.
func (v *Vault) Parity(ctx context.Context) (int, error) {
	c := v.settings
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.record == nil {
		record, err := v.readSettings(ctx, c.marks)
		if err != nil {
			return 0, err
		}
		c.record = record
	}
	return int(c.record.Parity), nil
}

// mostSettings is how many marks are looked at: whoever can write may put many.
const mostSettings = 16

func (v *Vault) readSettings(ctx context.Context, marks []storage.Info) (*format.SettingsRecord, error) {
	for _, info := range slices.Backward(marks[max(0, len(marks)-mostSettings):]) {
		record, err := ReadMark[format.SettingsRecord](ctx, v, format.Settings, info)
		if err == nil {
			return record, nil
		}
		if !IsDamage(err) && !errors.Is(err, storage.ErrNotFound) {
			return nil, err
		}
	}
	return new(format.SettingsRecord), nil
}

// SetParity has slabs that are written from now on get so much parity, in percent, from 1 to format.MaxParity, or none
// with 0. It fails with ErrBadOptions.
func (v *Vault) SetParity(ctx context.Context, percent int, host string) error {
	if err := checkParity(percent); err != nil {
		return err
	}
	c := v.settings
	c.mu.Lock()
	defer c.mu.Unlock()
	before, err := v.ListSettings(ctx)
	if err != nil {
		return err
	}
	next := 0
	if len(before) > 0 {
		last, _ := names.ParseSettings(before[len(before)-1].Name)
		next = last + 1
	}
	record := &format.SettingsRecord{Made: time.Now().UTC().Truncate(time.Second), Host: host, Parity: uint32(percent)}
	if err := PutMark(ctx, v, format.Settings, names.Settings(next), record); err != nil {
		return err
	}
	for _, info := range before {
		if err := v.storage.Remove(ctx, info.Name); err != nil && !errors.Is(err, storage.ErrNotFound) {
			return err
		}
	}
	c.record = record
	return nil
}

// SpareWhatOpens puts second copies of what opens the repository, where slabs get parity.
func (v *Vault) SpareWhatOpens(ctx context.Context) error {
	_, err := v.AddSpares(ctx, func(name string) bool {
		return name != names.Manifest && FolderOf(name) != names.KeySlots
	})
	return err
}

func checkParity(percent int) error {
	if percent < 0 || percent > format.MaxParity {
		return fmt.Errorf("%w: parity of %d %%: it is a whole number up to %d", ErrBadOptions, percent, format.MaxParity)
	}
	return nil
}

// ListSettings lists the marks with settings of this place; the last that opens counts.
func (v *Vault) ListSettings(ctx context.Context) ([]storage.Info, error) {
	marks, err := listPlaces(ctx, v.storage)
	return onlySettings(marks), err
}

func onlySettings(marks []storage.Info) []storage.Info {
	marks = slices.DeleteFunc(slices.Clone(marks), func(info storage.Info) bool { return !names.IsSettings(info.Name) })
	slices.SortFunc(marks, func(a, b storage.Info) int {
		one, _ := names.ParseSettings(a.Name)
		two, _ := names.ParseSettings(b.Name)
		return cmp.Compare(one, two)
	})
	return marks
}
