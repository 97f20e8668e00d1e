package store

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

// retirement is a mark in retired/.
type retirement struct {
	info   storage.Info // its time is the medium's
	record *format.MarkRecord
}

// at gives when the capture was retired: the later of the medium's time and the sealed
// one. Whoever sets the first one back does not shorten a grace time.
func (m retirement) at() time.Time { return later(m.info.Modified, m.record.Made) }

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// standing says which captures are held and which are retired. A held capture
// is not retired, whatever marks there are.
type standing struct {
	holds   map[string][]string // names of marks that count, by capture
	retired map[string][]retirement
	ended   map[string]bool     // names of holds that were released and retirements undone
	all     map[string][]string // by capture, the names of all marks, those that end others among them
	damage  []*ObjectError      // marks that can't be read; a hold counts all the same
}

// readStanding reads the marks of holds and retirements, and those that end them.
func (r *Repository) readStanding(ctx context.Context) (*standing, error) {
	s := &standing{
		holds: make(map[string][]string), retired: make(map[string][]retirement),
		ended: make(map[string]bool), all: make(map[string][]string),
	}
	holds, err := r.vault.ListMarks(ctx, names.Holds)
	if err != nil {
		return nil, err
	}
	retired, err := r.vault.ListMarks(ctx, names.Retired)
	if err != nil {
		return nil, err
	}
	if err := s.readEnds(ctx, r, holds, retired); err != nil {
		return nil, err
	}
	for _, info := range holds {
		if id, err := names.ParseMark(info.Name); err == nil {
			s.all[id] = append(s.all[id], info.Name)
			if !s.ended[info.Name] {
				s.holds[id] = append(s.holds[id], info.Name)
			}
		}
	}
	return s, vault.InOrder(ctx, retired, vault.Readers,
		func(ctx context.Context, info storage.Info) (*format.MarkRecord, error) {
			if _, err := names.ParseMark(info.Name); err != nil {
				return nil, nil // not ours
			}
			return vault.ReadMark[format.MarkRecord](ctx, r.vault, format.Retired, info)
		}, s.addRetired)
}

// readEnds notes which marks were ended. Where that can't be read, the capture stays: a
// retirement was undone all the same, and a hold was not released.
func (s *standing) readEnds(ctx context.Context, r *Repository, holds, retired []storage.Info) error {
	for _, info := range retired {
		if mark, id, err := names.ParseEnding(info.Name); err == nil {
			s.ended[mark] = true
			s.all[id] = append(s.all[id], info.Name)
		}
	}
	ends := slices.DeleteFunc(slices.Clone(holds), func(info storage.Info) bool {
		_, _, err := names.ParseEnding(info.Name)
		return err != nil
	})
	return vault.InOrder(ctx, ends, vault.Readers,
		func(ctx context.Context, info storage.Info) (*format.MarkRecord, error) {
			return vault.ReadMark[format.MarkRecord](ctx, r.vault, format.Hold, info)
		},
		func(info storage.Info, _ *format.MarkRecord, err error) error {
			mark, id, _ := names.ParseEnding(info.Name)
			s.all[id] = append(s.all[id], info.Name)
			switch {
			case err == nil:
				s.ended[mark] = true
			case vault.IsDamage(err), errors.Is(err, storage.ErrNotFound):
			default:
				return err
			}
			return nil
		})
}

func (s *standing) addRetired(info storage.Info, record *format.MarkRecord, err error) error {
	id, foreign := names.ParseMark(info.Name)
	if foreign == nil && !errors.Is(err, storage.ErrNotFound) {
		s.all[id] = append(s.all[id], info.Name)
	}
	var object *ObjectError
	switch {
	case err == nil && record != nil:
		if !s.ended[info.Name] {
			s.retired[id] = append(s.retired[id], retirement{info, record})
		}
	case err == nil, errors.Is(err, storage.ErrNotFound): // not ours, or undone since it was listed
	case vault.IsDamage(err) && errors.As(err, &object):
		s.damage = append(s.damage, object) // what can't be proved to be retired is not
	default:
		return err
	}
	return nil
}

func (s *standing) held(id string) bool { return len(s.holds[id]) > 0 }

// retirement gives when and why a capture was retired, or nil where it is not.
func (s *standing) retirement(id string) *retired {
	marks := s.retired[id]
	if len(marks) == 0 || s.held(id) {
		return nil
	}
	first := marks[0]
	for _, m := range marks[1:] {
		if m.at().Before(first.at()) {
			first = m
		}
	}
	return &retired{At: first.at(), Host: first.record.Host, Reason: first.record.Reason}
}

// apply tells captures how they stand.
func (s *standing) apply(captures []*captured) {
	for _, c := range captures {
		c.held = s.held(c.ID)
		c.retired = s.retirement(c.ID)
	}
}

// marksOf gives the names of the marks of a kind of a capture that are not ended yet,
// those that can't be read among them.
func (s *standing) marksOf(folder, id string) (marks []string) {
	for _, name := range s.all[id] {
		if _, err := names.ParseMark(name); err == nil && vault.FolderOf(name) == folder && !s.ended[name] {
			marks = append(marks, name)
		}
	}
	return marks
}

// endMark ends a hold or a retirement for good: first the mark that ends it is put, so
// that it does not count any more wherever a copy of it comes from; then it is removed.
func (r *Repository) endMark(ctx context.Context, kind format.ObjectKind, name string, record *format.MarkRecord) error {
	err := vault.PutMark(ctx, r.vault, kind, names.Ending(name), record)
	if err != nil && !errors.Is(err, storage.ErrExists) {
		return err
	}
	if err := r.storage.Remove(ctx, name); err != nil && !errors.Is(err, storage.ErrNotFound) {
		return err
	}
	return nil
}
