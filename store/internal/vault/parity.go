package vault

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
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
	marks  []ownMark // the last that opens counts
	record *format.SettingsRecord
	lost   []string // names of marks, where none can be read
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
		if record == nil {
			record = new(format.SettingsRecord)
			for _, m := range c.marks {
				c.lost = append(c.lost, m.name)
			}
		}
		c.record = record
	}
	return *c.record, nil
}

// readSettings reads the settings that count; nil: none can be read.
func (v *Vault) readSettings(ctx context.Context, marks []ownMark) (*format.SettingsRecord, error) {
	for _, m := range slices.Backward(marks) {
		record, err := openOwn(v, m, func(info storage.Info) (*format.SettingsRecord, error) {
			return readOwn[format.SettingsRecord](ctx, v, format.Settings, m, info)
		})
		if err == nil || !isLost(err) {
			return record, err
		}
	}
	return nil, nil
}

// LostSettings gives the names of marks with settings where there are some and none can be read: then nobody knows which
// parity and which deltas slabs were to get, and they get none.
func (v *Vault) LostSettings(ctx context.Context) ([]string, error) {
	_, err := v.Parity(ctx)
	v.settings.mu.Lock()
	defer v.settings.mu.Unlock()
	return slices.Clone(v.settings.lost), err
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
	_, before, err := listOwn(ctx, v.storage)
	if err != nil {
		return err
	}
	next, err := v.nextSettings(ctx, before)
	if err != nil {
		return err
	}
	c.marks, c.record, c.lost = before, nil, nil // another machine may have changed something else
	record, err := c.read(ctx, v)
	if err != nil {
		return err
	}
	record.Made, record.Host = time.Now().UTC().Truncate(time.Second), host
	change(&record)
	if err := putOwn(ctx, v, format.Settings, names.Settings(next), &record); err != nil {
		return err
	}
	for _, m := range before {
		for _, info := range slices.Backward(m.infos) {
			// What stays where the storage refuses that does not count, and goes with the next change.
			if err := v.Drop(ctx, info.Name); err != nil && !errors.Is(err, fs.ErrPermission) {
				return err
			}
		}
	}
	c.record, c.lost = &record, nil
	return nil
}

// nextSettings gives the number for settings that are to count in the place of those that are there.
func (v *Vault) nextSettings(ctx context.Context, before []ownMark) (int, error) {
	s, err := checkOwn[format.SettingsRecord](ctx, v, format.Settings, before, highestWhole)
	if err != nil {
		return 0, err
	}
	least, taken := -1, []int{}
	if s.counts != nil {
		least = numberOf(*s.counts)
	}
	for _, m := range before {
		taken = append(taken, numberOf(m))
	}
	next, ok := names.NextNumber(least, taken)
	if !ok {
		return 0, fmt.Errorf("%s: no number is free above it", names.Settings(max(least, 0)))
	}
	return next, nil
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
