package ledger

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// Elsewhere is what the marks name that say which captures other places have, or had.
type Elsewhere struct {
	Captures Departures
	Marks    []string // names of those that can be read
	Foreign  []string // names in their folder that are none of theirs
	Damage   []*vault.ObjectError
}

// ReadElsewhere reads the marks.
func (r *Ledger) ReadElsewhere(ctx context.Context) (*Elsewhere, error) {
	infos, err := r.vault.ListMarks(ctx, names.Elsewhere)
	if err != nil {
		return nil, err
	}
	all := &Elsewhere{Captures: make(Departures)}
	infos = slices.DeleteFunc(infos, func(info storage.Info) bool {
		if names.IsElsewhere(info.Name) {
			return false
		}
		all.Foreign = append(all.Foreign, info.Name)
		return true
	})
	r.vault.Copies().Retain(names.Elsewhere, infos)
	return all, vault.InOrder(ctx, infos, vault.Askers,
		func(ctx context.Context, info storage.Info) (*format.ElsewhereRecord, error) {
			return vault.ReadMark[format.ElsewhereRecord](ctx, r.vault, format.Elsewhere, info)
		}, all.add)
}

func (e *Elsewhere) add(info storage.Info, record *format.ElsewhereRecord, err error) error {
	var object *vault.ObjectError
	switch {
	case errors.Is(err, storage.ErrNotFound): // another one has come in its place
		return nil
	case vault.IsDamage(err) && errors.As(err, &object):
		e.Damage = append(e.Damage, object)
		return nil
	case err != nil:
		return err
	}
	e.Marks = append(e.Marks, info.Name)
	for i, id := range record.Captures {
		e.Captures.Add(id, record.Hashes[i])
	}
	return nil
}

// Add adds a capture, unless it is named with that hash.
func (d Departures) Add(id string, hash crypt.Digest) {
	if !slices.Contains(d[id], hash) {
		d[id] = append(d[id], hash)
	}
}

// PutElsewhere puts a mark that names captures, unless there are none.
func (r *Ledger) PutElsewhere(ctx context.Context, host string, captures Departures) error {
	now := time.Now().UTC()
	record := &format.ElsewhereRecord{Made: now.Truncate(time.Millisecond), Host: host}
	for id, hashes := range captures {
		for range hashes {
			record.Captures = append(record.Captures, id)
		}
	}
	if len(record.Captures) == 0 {
		return nil
	}
	slices.SortStableFunc(record.Captures, strings.Compare)
	for _, id := range slices.Compact(slices.Clone(record.Captures)) {
		record.Hashes = append(record.Hashes, captures[id]...)
	}
	return vault.Draw(func() error {
		return vault.PutMark(ctx, r.vault, format.Elsewhere, names.NewElsewhere(now), record)
	})
}
