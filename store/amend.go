package store

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"time"
	"unicode/utf8"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/vault"
)

// Amendment says what was amended of a capture, and what was recorded first.
type Amendment struct {
	At   time.Time `json:"at"`             // the last time, by the clock of who did it
	Host string    `json:"host,omitempty"` // where

	Taken   *time.Time `json:"was_taken,omitempty"`   // as first recorded; nil: not amended
	Version *string    `json:"was_version,omitempty"` // likewise
	Note    *string    `json:"was_note,omitempty"`    // likewise
	Labels  bool       `json:"labels,omitempty"`      // some were amended
}

// AmendOptions say what to amend. Texts have the bounds of those of [CaptureOptions].
type AmendOptions struct {
	Taken   time.Time // zero: as it is; kept in UTC
	Version *string   // nil: as it is
	Note    *string   // nil: as it is
	// Labels are set, and RemoveLabels taken away; others stay.
	Labels       map[string]string
	RemoveLabels []string

	Host string // where it is done, for people
}

// Amend corrects what was said of a capture, by its id, and gives it as it is then. A higher
// generation of its index file has it; the data, the id and what the capture is known by
// (Head, the chains of machines) stay as they are, and what was recorded first is kept. The
// id tells the minute that was recorded first. Where nothing is to change, nothing is written.
//
// Name and host can't be amended: by them takeovers, rotations and, in a repository apart,
// the keeping apart go.
//
// It fails with [ErrBadOptions], with [ErrNotFound], with [ErrRetired], with [ErrBusy] while somebody
// reclaims or repairs, with [ErrOvertaken], and with [ErrDamaged] where no index file of the
// capture can be read.
func (r *Repository) Amend(ctx context.Context, id string, o AmendOptions) (c *Capture, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := cmp.Or(r.open(ctx), o.check()); err != nil {
		return nil, err
	}
	rehearsed, err := r.ledger.ReadRehearsals(ctx)
	if err != nil {
		return nil, err
	}
	var bad error
	amended, err := r.keeper.Amend(ctx, id, o.Host, func(f *format.IndexFile) (*format.Amendment, bool) {
		a, changed := o.amend(f)
		if bad = checkLabels(f, a); bad != nil {
			return nil, false
		}
		return a, changed
	})
	if err := cmp.Or(err, bad); err != nil {
		return nil, err
	}
	amended.Rehearsed = rehearsed.Latest(id)
	return r.given(amended), nil
}

func (o *AmendOptions) check() error {
	if o.Taken.IsZero() && o.Version == nil && o.Note == nil && len(o.Labels)+len(o.RemoveLabels) == 0 {
		return fmt.Errorf("%w: nothing to amend", ErrBadOptions)
	}
	if y := o.Taken.UTC().Year(); y < 1 || y > 9999 {
		return fmt.Errorf("%w: taken in the year %d", ErrBadOptions, y)
	}
	texts := []string{o.Host}
	for _, text := range []*string{o.Version, o.Note} {
		if text != nil {
			texts = append(texts, *text)
		}
	}
	for k, v := range o.Labels {
		texts = append(texts, k, v)
	}
	for _, key := range o.RemoveLabels {
		if _, set := o.Labels[key]; set {
			return fmt.Errorf("%w: label %.40q is to be set and to be removed", ErrBadOptions, key)
		}
	}
	return checkTexts(texts)
}

func checkTexts(texts []string) error {
	for _, s := range texts {
		if len(s) > MaxLabel || !utf8.ValidString(s) {
			return fmt.Errorf("%w: a label must be UTF-8 text of at most %d bytes: %.40q", ErrBadOptions, MaxLabel, s)
		}
	}
	return nil
}

// amend gives what is amended of a record then, and whether that is other than before.
func (o *AmendOptions) amend(f *format.IndexFile) (*format.Amendment, bool) {
	was := f.Current()
	now := *was
	if !o.Taken.IsZero() {
		now.Taken = o.Taken.UTC()
	}
	if o.Version != nil {
		now.Version = *o.Version
	}
	if o.Note != nil {
		now.Note = *o.Note
	}
	now.Labels = maps.Clone(was.Labels)
	if now.Labels == nil {
		now.Labels = make(map[string]string)
	}
	maps.Copy(now.Labels, o.Labels)
	for _, key := range o.RemoveLabels {
		delete(now.Labels, key)
	}
	changed := !now.Taken.Equal(was.Taken) || now.Version != was.Version || now.Note != was.Note || !maps.Equal(now.Labels, was.Labels)
	return difference(f, &now, o.Host), changed
}

// difference gives what is other than a record has it; nil: nothing is.
func difference(f, now *format.IndexFile, host string) *format.Amendment {
	a := &format.Amendment{At: time.Now().UTC().Truncate(time.Second), Host: host}
	if !now.Taken.Equal(f.Taken) {
		a.Taken = &now.Taken
	}
	if now.Version != f.Version {
		a.Version = &now.Version
	}
	if now.Note != f.Note {
		a.Note = &now.Note
	}
	if !maps.Equal(now.Labels, f.Labels) {
		a.Labels = &now.Labels
	}
	if a.Taken == nil && a.Version == nil && a.Note == nil && a.Labels == nil {
		return nil
	}
	return a
}

func checkLabels(f *format.IndexFile, a *format.Amendment) error {
	if a != nil && a.Labels != nil && len(*a.Labels) > max(maxLabels, len(f.Labels)) {
		return fmt.Errorf("%w: capture %s would have %d labels: at most %d", ErrBadOptions, f.ID, len(*a.Labels), maxLabels)
	}
	return nil
}

// newAmendment says what was amended of a record, or gives nil.
func newAmendment(f *format.IndexFile) *Amendment {
	a := f.Amended
	if a == nil {
		return nil
	}
	first := *f
	out := &Amendment{At: a.At, Host: a.Host, Labels: a.Labels != nil}
	if a.Taken != nil {
		out.Taken = &first.Taken
	}
	if a.Version != nil {
		out.Version = &first.Version
	}
	if a.Note != nil {
		out.Note = &first.Note
	}
	return out
}
