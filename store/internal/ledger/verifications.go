package ledger

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// Verifications are the marks that say what verifying found.
type Verifications struct {
	Marks   []Verification // those that can be read, by their names
	Foreign []string       // names in their folder that are none of theirs
	Damage  []*vault.ObjectError
}

// Verification is one of them.
type Verification struct {
	Name   string
	Record *format.VerificationRecord
}

// ListVerifications gives the marks' names, sorted, and reads none.
func (r *Ledger) ListVerifications(ctx context.Context) ([]string, error) {
	marks, _, err := r.listVerifications(ctx)
	var all []string
	for _, info := range marks {
		all = append(all, info.Name)
	}
	return all, err
}

func (r *Ledger) listVerifications(ctx context.Context) (marks []storage.Info, foreign []string, err error) {
	infos, err := r.vault.ListMarks(ctx, names.Verified)
	for _, info := range infos {
		if names.IsVerification(info.Name) {
			marks = append(marks, info)
		} else {
			foreign = append(foreign, info.Name)
		}
	}
	slices.SortFunc(marks, func(a, b storage.Info) int { return strings.Compare(a.Name, b.Name) })
	return marks, foreign, err
}

// PutVerification says what verifying found, beside what is there.
func (r *Ledger) PutVerification(ctx context.Context, found *format.VerificationRecord) error {
	return vault.Draw(func() error {
		return vault.PutMark(ctx, r.vault, format.Verification, names.NewVerification(time.Now()), found)
	})
}

// ReadVerifications reads the marks.
func (r *Ledger) ReadVerifications(ctx context.Context) (*Verifications, error) {
	marks, foreign, err := r.listVerifications(ctx)
	if err != nil {
		return nil, err
	}
	r.vault.Copies().Retain(names.Verified, marks)
	all := &Verifications{Foreign: foreign}
	return all, vault.InOrder(ctx, marks, vault.Askers,
		func(ctx context.Context, info storage.Info) (*format.VerificationRecord, error) {
			return vault.ReadMark[format.VerificationRecord](ctx, r.vault, format.Verification, info)
		}, all.add)
}

func (a *Verifications) add(info storage.Info, record *format.VerificationRecord, err error) error {
	var object *vault.ObjectError
	switch {
	case errors.Is(err, storage.ErrNotFound): // another one made it superfluous
	case vault.IsDamage(err) && errors.As(err, &object):
		a.Damage = append(a.Damage, object)
	case err != nil:
		return err
	default:
		a.Marks = append(a.Marks, Verification{info.Name, record})
	}
	return nil
}
