package ledger

import (
	"context"
	"errors"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// Rehearsals are the marks that say how restoring captures for a trial went.
type Rehearsals struct {
	Names   map[string][]string // by capture, those that can't be read among them
	Foreign []string            // names in their folder that are none of theirs
	Damage  []*vault.ObjectError

	latest map[string]rehearsal
}

type rehearsal struct {
	name   string
	record *format.RehearsalRecord
}

// ListRehearsals gives the marks' names, and reads none.
func (r *Ledger) ListRehearsals(ctx context.Context) (*Rehearsals, error) {
	all, _, err := r.listRehearsals(ctx)
	return all, err
}

func (r *Ledger) listRehearsals(ctx context.Context) (*Rehearsals, []storage.Info, error) {
	infos, err := r.vault.ListMarks(ctx, names.Rehearsed)
	if err != nil {
		return nil, nil, err
	}
	all := &Rehearsals{Names: make(map[string][]string), latest: make(map[string]rehearsal)}
	var marks []storage.Info
	for _, info := range infos {
		id, err := names.ParseRehearsal(info.Name)
		if err != nil {
			all.Foreign = append(all.Foreign, info.Name)
			continue
		}
		all.Names[id] = append(all.Names[id], info.Name)
		marks = append(marks, info)
	}
	return all, marks, nil
}

// ReadRehearsals reads the marks.
func (r *Ledger) ReadRehearsals(ctx context.Context) (*Rehearsals, error) {
	all, marks, err := r.listRehearsals(ctx)
	if err != nil {
		return nil, err
	}
	r.vault.Copies().Retain(names.Rehearsed, marks)
	return all, vault.InOrder(ctx, marks, vault.Askers,
		func(ctx context.Context, info storage.Info) (*format.RehearsalRecord, error) {
			return vault.ReadMark[format.RehearsalRecord](ctx, r.vault, format.Rehearsal, info)
		}, all.add)
}

func (a *Rehearsals) add(info storage.Info, record *format.RehearsalRecord, err error) error {
	var object *vault.ObjectError
	switch {
	case errors.Is(err, storage.ErrNotFound): // a later one has come in its place
	case vault.IsDamage(err) && errors.As(err, &object):
		a.Damage = append(a.Damage, object)
	case err != nil:
		return err
	default:
		id, _ := names.ParseRehearsal(info.Name)
		last, ok := a.latest[id]
		order := -1
		if ok {
			order = last.record.Ended.Compare(record.Ended)
		}
		if order < 0 || order == 0 && last.name < info.Name {
			a.latest[id] = rehearsal{info.Name, record}
		}
	}
	return nil
}

// Latest gives the rehearsal of a capture that counts, or nil.
func (a *Rehearsals) Latest(id string) *format.RehearsalRecord { return a.latest[id].record }

// Apply tells captures how their latest rehearsals went.
func (a *Rehearsals) Apply(captures []*Capture) {
	for _, c := range captures {
		c.Rehearsed = a.Latest(c.ID)
	}
}
