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
	record, err := v.changing(ctx)
	return int(record.Parity), err
}

// Deltas gives which chunks are said by others that are captured here: format.DeltasOwn, format.DeltasOn, or "" for
// none. What is captured apart never is.
func (v *Vault) Deltas(ctx context.Context) (string, error) {
	record, err := v.changing(ctx)
	if err != nil || v.Apart() != Together || checkDeltas(record.Deltas) != nil {
		return "", err
	}
	return record.Deltas, nil
}

// changing gives the settings that count.
func (v *Vault) changing(ctx context.Context) (format.SettingsRecord, error) {
	c := v.settings
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.read(ctx, v)
}

// read needs c.mu to be held.
func (c *changing) read(ctx context.Context, v *Vault) (format.SettingsRecord, error) {
	if c.record == nil {
		record, err := v.readSettings(ctx, c.marks)
		if err != nil {
			return format.SettingsRecord{}, err
		}
		c.record = record
	}
	return *c.record, nil
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
	return v.change(ctx, host, func(record *format.SettingsRecord) { record.Parity = uint32(percent) })
}

// SetDeltas has what is captured from now on be said by what is alike in that way. It fails with ErrBadOptions.
func (v *Vault) SetDeltas(ctx context.Context, deltas, host string) error {
	if err := cmp.Or(checkDeltas(deltas), checkDeltasApart(deltas, v.Apart())); err != nil {
		return err
	}
	return v.change(ctx, host, func(record *format.SettingsRecord) { record.Deltas = deltas })
}

// change puts settings in the place of those before.
func (v *Vault) change(ctx context.Context, host string, change func(*format.SettingsRecord)) error {
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
	c.marks, c.record = before, nil // another machine may have changed something else
	record, err := c.read(ctx, v)
	if err != nil {
		return err
	}
	record.Made, record.Host = time.Now().UTC().Truncate(time.Second), host
	change(&record)
	if err := PutMark(ctx, v, format.Settings, names.Settings(next), &record); err != nil {
		return err
	}
	for _, info := range before {
		if err := v.storage.Remove(ctx, info.Name); err != nil && !errors.Is(err, storage.ErrNotFound) {
			return err
		}
	}
	c.record = &record
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

func checkDeltas(deltas string) error {
	if deltas != "" && deltas != format.DeltasOwn && deltas != format.DeltasOn {
		return fmt.Errorf("%w: deltas of the kind %.40q", ErrBadOptions, deltas)
	}
	return nil
}

// checkDeltasApart refuses to say what strangers put somewhere by what others did: lengths would tell of it.
func checkDeltasApart(deltas, apart string) error {
	if deltas != "" && apart != Together {
		return fmt.Errorf("%w: deltas where captures are kept apart: lengths would tell what contents are alike", ErrBadOptions)
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
