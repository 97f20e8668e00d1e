package ledger

import (
	"context"
	"errors"
	"io/fs"
	"slices"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// RetiredMark is a mark in retired/.
type RetiredMark struct {
	Info   storage.Info // its time is the medium's
	Record *format.MarkRecord
}

// at gives when the capture was retired: the later of the medium's time and the sealed
// one. Whoever sets the first one back does not shorten a grace time.
func (m RetiredMark) at() time.Time { return Later(m.Info.Modified, m.Record.Made) }

// Later gives the later of two times.
func Later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// Standing says which captures are held and which are retired. A held capture
// is not retired, whatever marks there are.
type Standing struct {
	holds   map[string][]string // names of marks that count, by capture
	Retired map[string][]RetiredMark
	Ended   map[string]bool      // names of holds that were released and retirements undone
	All     map[string][]string  // by capture, the names of all marks, those that end others among them
	Damage  []*vault.ObjectError // marks that can't be read; a hold counts all the same
	Several []Retiring           // the marks that retire several captures
}

// ReadStanding reads the marks of holds and retirements, and those that end them.
func (r *Ledger) ReadStanding(ctx context.Context) (*Standing, error) {
	s := &Standing{
		holds: make(map[string][]string), Retired: make(map[string][]RetiredMark),
		Ended: make(map[string]bool), All: make(map[string][]string),
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
			s.All[id] = append(s.All[id], info.Name)
			if !s.Ended[info.Name] {
				s.holds[id] = append(s.holds[id], info.Name)
			}
		}
	}
	if err := s.readSeveral(ctx, r, retired); err != nil {
		return nil, err
	}
	return s, vault.InOrder(ctx, retired, vault.Askers,
		func(ctx context.Context, info storage.Info) (*format.MarkRecord, error) {
			if _, err := names.ParseMark(info.Name); err != nil {
				return nil, nil // not ours
			}
			return vault.ReadMark[format.MarkRecord](ctx, r.vault, format.Retired, info)
		}, s.addRetired)
}

// readEnds notes which marks were ended. Where that can't be read, the capture stays: a
// retirement was undone all the same, and a hold was not released.
func (s *Standing) readEnds(ctx context.Context, r *Ledger, holds, retired []storage.Info) error {
	for _, info := range retired {
		if mark, id, err := names.ParseEnding(info.Name); err == nil {
			s.Ended[mark] = true
			s.All[id] = append(s.All[id], info.Name)
		}
	}
	ends := slices.DeleteFunc(slices.Clone(holds), func(info storage.Info) bool {
		_, _, err := names.ParseEnding(info.Name)
		return err != nil
	})
	return vault.InOrder(ctx, ends, vault.Askers,
		func(ctx context.Context, info storage.Info) (*format.MarkRecord, error) {
			return vault.ReadMark[format.MarkRecord](ctx, r.vault, format.Hold, info)
		},
		func(info storage.Info, _ *format.MarkRecord, err error) error {
			mark, id, _ := names.ParseEnding(info.Name)
			s.All[id] = append(s.All[id], info.Name)
			switch {
			case err == nil:
				s.Ended[mark] = true
			case vault.IsDamage(err), errors.Is(err, storage.ErrNotFound):
			default:
				return err
			}
			return nil
		})
}

func (s *Standing) addRetired(info storage.Info, record *format.MarkRecord, err error) error {
	id, foreign := names.ParseMark(info.Name)
	if foreign == nil && !errors.Is(err, storage.ErrNotFound) {
		s.All[id] = append(s.All[id], info.Name)
	}
	var object *vault.ObjectError
	switch {
	case err == nil && record != nil:
		if !s.Ended[info.Name] {
			s.Retired[id] = append(s.Retired[id], RetiredMark{info, record})
		}
	case err == nil, errors.Is(err, storage.ErrNotFound): // not ours, or undone since it was listed
	case vault.IsDamage(err) && errors.As(err, &object):
		s.Damage = append(s.Damage, object) // what can't be proved to be retired is not
	default:
		return err
	}
	return nil
}

// Held tells whether a capture has a hold that was not released.
func (s *Standing) Held(id string) bool { return len(s.holds[id]) > 0 }

// Retirement gives when and why a capture was retired, or nil where it is not.
func (s *Standing) Retirement(id string) *Retirement {
	marks := s.Retired[id]
	if len(marks) == 0 || s.Held(id) {
		return nil
	}
	first := marks[0]
	for _, m := range marks[1:] {
		if m.at().Before(first.at()) {
			first = m
		}
	}
	return &Retirement{At: first.at(), Host: first.Record.Host, Reason: first.Record.Reason}
}

// Apply tells captures how they stand.
func (s *Standing) Apply(captures []*Capture) {
	for _, c := range captures {
		c.Held = s.Held(c.ID)
		c.Retired = s.Retirement(c.ID)
	}
}

// MarksOf gives the names of the marks of a kind of a capture that are not ended yet,
// those that can't be read among them.
func (s *Standing) MarksOf(folder, id string) (marks []string) {
	for _, name := range s.All[id] {
		if _, err := names.ParseMark(name); err == nil && vault.FolderOf(name) == folder && !s.Ended[name] {
			marks = append(marks, name)
		}
	}
	for i := range s.Several {
		if name := s.Several[i].of(id); folder == names.Retired && name != "" && !s.Ended[name] {
			marks = append(marks, name)
		}
	}
	return marks
}

// EndMark ends a hold or a retirement for good: first the mark that ends it is put, so
// that it does not count any more wherever a copy of it comes from; then it is removed, or left to who reclaims, where that is refused.
func (r *Ledger) EndMark(ctx context.Context, kind format.ObjectKind, name string, record *format.MarkRecord) error {
	err := vault.PutMark(ctx, r.vault, kind, names.Ending(name), record)
	if err != nil && !errors.Is(err, storage.ErrExists) {
		return err
	}
	if err := r.storage.Remove(ctx, name); err != nil && !errors.Is(err, storage.ErrNotFound) && !errors.Is(err, fs.ErrPermission) {
		return err
	}
	return nil
}
