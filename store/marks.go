package store

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"path"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// putMark seals a record and puts it under a name never used before.
func putMark[R format.Record](ctx context.Context, r *Repository, kind format.ObjectKind, name string, record *R) error {
	sealer, wrapping, wrapped, err := r.keys.NewSealer(r.objectName(kind, path.Base(name)))
	if err != nil {
		return err
	}
	b := format.AppendHeader(nil, format.Header{Kind: kind, Wrapping: wrapping, Wrapped: wrapped})
	b = format.SealMark(b, record, sealer)
	if len(b) > format.MaxMark {
		return fmt.Errorf("writing %s: %d bytes: a mark has at most %d", name, len(b), format.MaxMark)
	}
	if err := r.putKept(ctx, name, b); err != nil {
		return fmt.Errorf("writing %s: %w", name, err)
	}
	return nil
}

// readMark reads and opens a mark. A mark that is not what was written gives an
// *ObjectError that wraps ErrDamaged.
func readMark[R format.Record](ctx context.Context, r *Repository, kind format.ObjectKind, info storage.Info) (*R, error) {
	record, err := openMark[R](ctx, r, kind, info)
	if err != nil {
		return nil, &ObjectError{info.Name, err}
	}
	return record, nil
}

func openMark[R format.Record](ctx context.Context, r *Repository, kind format.ObjectKind, info storage.Info) (*R, error) {
	if info.Size > format.MaxMark {
		return nil, fmt.Errorf("%w: %d bytes", ErrDamaged, info.Size)
	}
	return openKept(ctx, r, info, func(src *bufio.Reader, _ bool) (*R, error) {
		opener, err := r.openObject(src, kind, path.Base(info.Name))
		if err != nil {
			return nil, err
		}
		sealed, err := io.ReadAll(src)
		if err != nil {
			return nil, err
		}
		return format.OpenMark[R](sealed, opener)
	})
}

// listMarks lists a folder of marks. A copy of a repository may lack those that
// are empty.
func (r *Repository) listMarks(ctx context.Context, folder string) ([]storage.Info, error) {
	infos, err := r.storage.List(ctx, folder)
	if !errors.Is(err, storage.ErrGone) {
		return infos, err
	}
	if _, again := r.storage.Stat(ctx, names.Manifest); again != nil {
		return nil, err
	}
	return nil, nil
}

// retirement is a mark in retired/.
type retirement struct {
	info   storage.Info // its time is the medium's
	record *format.MarkRecord
}

// standing says which captures are held and which are retired. A held capture
// is not retired, whatever marks there are.
type standing struct {
	holds   map[string][]string // names of marks, by capture
	retired map[string][]retirement
	damage  []*ObjectError // marks that can't be read; a hold counts all the same
}

// readStanding reads the marks of holds and retirements.
func (r *Repository) readStanding(ctx context.Context) (*standing, error) {
	s := &standing{holds: make(map[string][]string), retired: make(map[string][]retirement)}
	holds, err := r.listMarks(ctx, names.Holds)
	if err != nil {
		return nil, err
	}
	for _, info := range holds {
		if id, err := names.ParseMark(info.Name); err == nil {
			s.holds[id] = append(s.holds[id], info.Name)
		}
	}
	infos, err := r.listMarks(ctx, names.Retired)
	if err != nil {
		return nil, err
	}
	return s, inOrder(ctx, infos, readers,
		func(ctx context.Context, info storage.Info) (*format.MarkRecord, error) {
			if _, err := names.ParseMark(info.Name); err != nil {
				return nil, nil // not ours
			}
			return readMark[format.MarkRecord](ctx, r, format.Retired, info)
		},
		func(info storage.Info, record *format.MarkRecord, err error) error {
			return s.addRetired(info, record, err)
		})
}

func (s *standing) addRetired(info storage.Info, record *format.MarkRecord, err error) error {
	var object *ObjectError
	switch {
	case err == nil && record != nil:
		id, _ := names.ParseMark(info.Name)
		s.retired[id] = append(s.retired[id], retirement{info, record})
	case err == nil, errors.Is(err, storage.ErrNotFound): // not ours, or undone since it was listed
	case isDamage(err) && errors.As(err, &object):
		s.damage = append(s.damage, object) // what can't be proved to be retired is not
	default:
		return err
	}
	return nil
}

func (s *standing) held(id string) bool { return len(s.holds[id]) > 0 }

// retirement gives when and why a capture was retired, or nil where it is not.
func (s *standing) retirement(id string) *Retirement {
	marks := s.retired[id]
	if len(marks) == 0 || s.held(id) {
		return nil
	}
	first := marks[0]
	for _, m := range marks[1:] {
		if m.info.Modified.Before(first.info.Modified) {
			first = m
		}
	}
	return &Retirement{At: first.info.Modified, Host: first.record.Host, Reason: first.record.Reason}
}

// apply tells captures how they stand.
func (s *standing) apply(captures []*Capture) {
	for _, c := range captures {
		c.Held = s.held(c.ID)
		c.Retired = s.retirement(c.ID)
	}
}

func newMarkRecord(host, reason string) *format.MarkRecord {
	return &format.MarkRecord{Made: time.Now().UTC().Truncate(time.Millisecond), Host: host, Reason: reason}
}
