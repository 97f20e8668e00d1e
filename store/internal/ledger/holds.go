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

// Hold says when and why a capture was held.
type Hold struct {
	At           time.Time // the later of the medium's time and the sealed one
	Host, Reason string    // empty where the mark can't be read, which counts all the same
}

// ReadHolds gives the holds that count, by capture, each capture's by when they were made.
func (r *Ledger) ReadHolds(ctx context.Context) (map[string][]Hold, error) {
	marks, err := r.vault.ListMarks(ctx, names.Holds)
	if err != nil {
		return nil, err
	}
	s := &Standing{Ended: make(map[string]bool), All: make(map[string][]string)}
	if err := s.readEnds(ctx, r, marks, nil); err != nil {
		return nil, err
	}
	marks = slices.DeleteFunc(marks, func(info storage.Info) bool {
		_, err := names.ParseMark(info.Name)
		return err != nil || s.Ended[info.Name]
	})
	holds := make(map[string][]Hold)
	err = vault.InOrder(ctx, marks, vault.Askers,
		func(ctx context.Context, info storage.Info) (*format.MarkRecord, error) {
			return vault.ReadMark[format.MarkRecord](ctx, r.vault, format.Hold, info)
		},
		func(info storage.Info, record *format.MarkRecord, err error) error {
			id, _ := names.ParseMark(info.Name)
			switch {
			case err == nil:
				holds[id] = append(holds[id], Hold{Later(info.Modified, record.Made), record.Host, record.Reason})
			case vault.IsDamage(err):
				holds[id] = append(holds[id], Hold{At: info.Modified})
			case !errors.Is(err, storage.ErrNotFound): // else released since it was listed
				return err
			}
			return nil
		})
	for _, all := range holds {
		slices.SortStableFunc(all, func(a, b Hold) int { return a.At.Compare(b.At) })
	}
	return holds, err
}
