package ledger

import (
	"context"
	"errors"
	"slices"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// Retiring is a mark that retires several captures. For each of them it counts as a mark of its own
// would, which is ended as such a one is.
type Retiring struct {
	Info   storage.Info
	Record *format.RetirementRecord
	mark   string // see names.RetiredBy
}

// of gives the name of the mark that it counts as for a capture; "": it does not retire that.
func (m *Retiring) of(id string) string {
	if !slices.Contains(m.Record.Captures, id) {
		return ""
	}
	return names.RetiredBy(m.mark, id)
}

// readSeveral reads the marks that retire several captures. One that can't be read retires none.
func (s *Standing) readSeveral(ctx context.Context, r *Ledger, retired []storage.Info) error {
	marks, damage, err := r.several(ctx, retired)
	s.Several, s.Damage = marks, append(s.Damage, damage...)
	for i := range marks {
		m := &marks[i]
		for _, id := range m.Record.Captures {
			if !s.Ended[m.of(id)] {
				s.Retired[id] = append(s.Retired[id], RetiredMark{m.Info, &m.Record.MarkRecord})
			}
		}
	}
	return err
}

// several reads those of the marks in retired/ that are about several captures.
func (r *Ledger) several(ctx context.Context, retired []storage.Info) (marks []Retiring, damage []*vault.ObjectError, err error) {
	some := slices.DeleteFunc(slices.Clone(retired), func(info storage.Info) bool {
		_, ok := names.ParseRetirement(info.Name)
		return !ok
	})
	err = vault.InOrder(ctx, some, vault.Askers,
		func(ctx context.Context, info storage.Info) (*format.RetirementRecord, error) {
			return vault.ReadMark[format.RetirementRecord](ctx, r.vault, format.Retirement, info)
		},
		func(info storage.Info, record *format.RetirementRecord, err error) error {
			var object *vault.ObjectError
			switch {
			case err == nil:
				mark, _ := names.ParseRetirement(info.Name)
				marks = append(marks, Retiring{info, record, mark})
			case errors.Is(err, storage.ErrNotFound): // all of its captures are gone
			case vault.IsDamage(err) && errors.As(err, &object):
				damage = append(damage, object)
			default:
				return err
			}
			return nil
		})
	return marks, damage, err
}

// RetiredBySeveral gives the ids of the captures that marks about several retire, of marks in
// retired/ that were listed.
func (r *Ledger) RetiredBySeveral(ctx context.Context, retired []storage.Info) (map[string]bool, error) {
	marks, _, err := r.several(ctx, retired)
	ended := make(map[string]bool)
	for _, info := range retired {
		if mark, _, err := names.ParseEnding(info.Name); err == nil {
			ended[mark] = true
		}
	}
	gone := make(map[string]bool)
	for i := range marks {
		for _, id := range marks[i].Record.Captures {
			if !ended[marks[i].of(id)] {
				gone[id] = true
			}
		}
	}
	return gone, err
}

// RetireSeveral retires captures by one mark.
func (r *Ledger) RetireSeveral(ctx context.Context, ids []string, said *format.MarkRecord) error {
	return vault.Draw(func() error {
		name := names.NewRetirement(time.Now())
		return vault.PutMark(ctx, r.vault, format.Retirement, name, &format.RetirementRecord{MarkRecord: *said, Captures: ids})
	})
}

// Replace puts a mark about those captures of one about several whose retirement was not ended, and
// removes that one: so nothing depends any more on what ended the others.
func (r *Ledger) Replace(ctx context.Context, s *Standing, m *Retiring) error {
	ids := slices.DeleteFunc(slices.Clone(m.Record.Captures), func(id string) bool { return s.Ended[m.of(id)] })
	if len(ids) > 0 {
		if err := r.RetireSeveral(ctx, ids, &m.Record.MarkRecord); err != nil {
			return err
		}
	}
	if err := r.storage.Remove(ctx, m.Info.Name); err != nil && !errors.Is(err, storage.ErrNotFound) {
		return err
	}
	return nil
}

// Over gives the names of the marks about several captures all of which are gone, or have their
// retirement ended.
func (s *Standing) Over(gone func(id string) bool) (over []string) {
	for i := range s.Several {
		m := &s.Several[i]
		if !slices.ContainsFunc(m.Record.Captures, func(id string) bool { return !gone(id) && !s.Ended[m.of(id)] }) {
			over = append(over, m.Info.Name)
		}
	}
	return over
}

// CountsAs gives the mark about several captures that stands behind the name of one, or nil.
func (s *Standing) CountsAs(name string) *Retiring {
	id, err := names.ParseMark(name)
	if err != nil {
		return nil
	}
	for i := range s.Several {
		if m := &s.Several[i]; m.of(id) == name {
			return m
		}
	}
	return nil
}
