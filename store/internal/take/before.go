package take

import (
	"context"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// Before gives the newest capture of a name and host that is not retired and was taken no
// later than that, or nil: of those that this machine made, where one is among them, and else of all. It reads few index files; one that
// can't be read is passed over.
func (r *Taker) Before(ctx context.Context, name, host string, taken time.Time) (*ledger.Capture, error) {
	own := ""
	if note := vault.Note[format.ReliedRecord](r.vault, format.Relied, reliedName(Options{Name: name, Host: host})); note != nil {
		own = note.Capture
	}
	files, err := r.ledger.ListLately(ctx, own)
	if err != nil {
		return nil, err
	}
	marks, err := r.vault.ListMarks(ctx, names.Retired)
	if err != nil {
		return nil, err
	}
	return r.newest(ctx, files, marks, name, host, taken)
}

// newest is Before among captures that were listed, by the marks of those that are retired.
func (r *Taker) newest(ctx context.Context, files, marks []storage.Info, name, host string, taken time.Time) (*ledger.Capture, error) {
	gone, err := r.retired(ctx, marks)
	if err != nil {
		return nil, err
	}
	fits := func(c *ledger.Capture) bool {
		return c.Name == name && c.Host == host && !c.Taken.After(taken) && !gone[c.ID]
	}
	c := r.latestLike(ctx, r.ledger.OwnFiles(files), func(c *ledger.Capture) bool { return r.ledger.IsOwn(c) && fits(c) })
	if c == nil {
		c = r.latestLike(ctx, files, fits)
	}
	return c, ctx.Err()
}

// checkBefore shows the capture that the session follows to whoever captures, as soon as it is known: tables may still be read.
func (s *session) checkBefore(ctx context.Context) error {
	if s.o.CheckBefore == nil {
		return nil
	}
	select {
	case <-s.listed:
	case <-s.begun:
		if err := s.await(); err != nil {
			return err
		}
	}
	if s.retiredErr != nil {
		return s.retiredErr
	}
	taken := s.o.Taken
	if taken.IsZero() {
		taken = time.Now()
	}
	before, err := s.r.newest(ctx, s.files, s.retired, s.o.Name, s.o.Host, taken)
	if err != nil {
		return err
	}
	err = s.o.CheckBefore(before)
	s.refused = err != nil
	return err
}
