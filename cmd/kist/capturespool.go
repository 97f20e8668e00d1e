package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"syscall"
	"time"

	"github.com/dustin/go-humanize"
	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// spooling says whether a capture goes through the spool, and within which bounds.
type spooling struct {
	wanted, never, only bool
	limit               int64         // bytes of the spool; 0: what is free
	wait                time.Duration // for the repository to answer
}

func spoolFlags() []cli.Flag {
	return []cli.Flag{
		&cli.BoolFlag{Name: "spool", Usage: "take into the spool on this machine first also where the repository lies on a disk of it, and where nothing is stopped"},
		&cli.BoolFlag{Name: "no-spool", Usage: "take into the repository at once"},
		&cli.BoolFlag{Name: "spool-only", Usage: "take into the spool, and leave the repository alone: the next kist capture or kist resume sends it"},
		&cli.StringFlag{Name: "spool-limit", Usage: "take into the spool only as long as it has no more than `SIZE`, as 10GiB; by default what is free decides"},
		&cli.DurationFlag{Name: "wait", Value: time.Minute, Usage: "let the repository take `TIME` to answer, as 60s or 5m, before the capture goes into the spool alone"},
	}
}

func newSpooling(c *cli.Context) (s spooling, err error) {
	s = spooling{wanted: c.Bool("spool"), never: c.Bool("no-spool"), only: c.Bool("spool-only")}
	if s.never && (s.only || s.wanted) {
		return s, usagef("capture: --no-spool goes with neither --spool nor --spool-only")
	}
	if text := c.String("spool-limit"); text != "" {
		n, err := humanize.ParseBytes(text)
		if err != nil || n == 0 || n > 1<<60 || strings.Trim(text, "0123456789.,") == "" {
			return s, usagef("--spool-limit %q: write it as 10GiB or 500MiB", text)
		}
		s.limit = int64(n)
	}
	if s.wait = c.Duration("wait"); s.wait <= 0 {
		return s, usagef("--wait %s: it is no time", s.wait)
	}
	if s.only && c.Bool("each") || s.wanted && c.Bool("each") {
		return s, usagef("capture: --each takes into the repository alone")
	}
	return s, nil
}

// open opens the repository, or the spool, or both. Where the repository is away, it gives none. held tells whether
// something is held still while it is captured.
func (s *capturing) open(ctx context.Context, held bool) (r *repository, err error) {
	a := s.app
	if s.through.only {
		s.spool, err = a.spoolAlone(ctx)
		return nil, err
	}
	r, err = a.openWithin(ctx, s.through.wait)
	if err != nil {
		if s.through.never || !isAway(err) {
			return nil, err
		}
		alone, failed := a.spoolAlone(ctx)
		if failed != nil {
			return nil, err
		}
		a.Warn("%s. The capture goes into the spool on this machine", screen.Text(err.Error()))
		s.spool, s.away = alone, err
		return nil, nil
	}
	a.warnElsewhere(spoolName(r.Repository))
	_, keeps := a.spools()
	if !keeps && !s.through.never && (s.through.wanted || held && mountOf(r.folder.Path()).IsRemote()) {
		a.Warn("KIST_STATE is off, so this machine has no spool: the capture goes into the repository at once, and what is held still for it is so for as long as the repository takes")
	}
	if s.through.never || !s.through.wanted && (!held || !mountOf(r.folder.Path()).IsRemote()) {
		return r, nil
	}
	if s.spool, err = a.spoolBeside(ctx, r, true); err != nil {
		a.Warn("%s. The capture goes into the repository at once", screen.Text(err.Error()))
	}
	return r, nil
}

// openWithin opens the repository, unless it is silent for the time wait.
func (a *app) openWithin(ctx context.Context, wait time.Duration) (*repository, error) {
	path, err := a.repositoryPath()
	if err != nil {
		return nil, err
	}
	return a.openPlace(ctx, path, wait, func(ctx context.Context, folder *storage.Folder) (*repository, error) {
		return a.openIn(ctx, folder, a.openOptions())
	})
}

// close closes what open opened.
func (s *capturing) close(r *repository) {
	s.leaveSpool()
	if r != nil {
		r.Close()
	}
}

func (s *capturing) leaveSpool() {
	if s.spool != nil {
		s.spool.Close()
		s.spool = nil
	}
}

// where gives what is captured into.
func (s *capturing) where(r *repository) *repository {
	if s.spool != nil {
		return s.spool.repository
	}
	return r
}

// leastSpool is what a capture of something that the spool knows takes at the most, unless much changed: an estimate.
const leastSpool = 64 << 20

// checkRoom looks whether the spool has room, before anything is held still: as much as the capture before had, where the spool
// knows nothing of it, for what is there already takes none.
func (s *capturing) checkRoom(ctx context.Context, r *repository) error {
	if s.spool == nil {
		return nil
	}
	known, err := s.spool.Before(ctx, s.options.Name, s.options.Host, time.Now().Add(store.ClockTolerance))
	if err != nil {
		return err
	}
	need := int64(leastSpool)
	if known == nil && s.before != nil {
		need += int64(s.before.Bytes)
	}
	dir := s.spool.place.Dir
	free, ok := files.Available(dir)
	left, by := free, ""
	if size := s.spool.place.Size(); s.through.limit > 0 && (!ok || s.through.limit-size < left) {
		left, ok, by = s.through.limit-size, true, " by --spool-limit"
	}
	if !ok || left >= need {
		return nil
	}
	what := fmt.Sprintf("the spool in %s has room for %s%s, and the capture may take %s", screen.Line(dir), screen.Size(uint64(max(left, 0))), by, screen.Size(uint64(need)))
	if r == nil {
		return fmt.Errorf("%s: nothing was captured", what)
	}
	s.app.Warn("%s: it goes into the repository at once", what)
	s.leaveSpool()
	return nil
}

// isFull tells whether a capture failed for want of room in the spool, and then goes on without that.
func (s *capturing) isFull(err error, r *repository) bool {
	if s.spool == nil || r == nil || !errors.Is(err, syscall.ENOSPC) && !errors.Is(err, syscall.EDQUOT) {
		return false
	}
	s.app.Warn("the spool in %s is full: the capture goes into the repository at once", screen.Printable(s.spool.place.Dir))
	s.leaveSpool()
	return true
}

// deliver sends a capture that was taken into the spool. Whatever becomes of that, it is made.
func (s *capturing) deliver(ctx context.Context, r *repository, made *captured) error {
	if s.spool == nil {
		if made.ID != "" && r != nil {
			_, err := s.app.sendLeft(ctx, r)
			return err
		}
		return nil
	}
	held := made.held()
	made.hold = nil
	if r == nil {
		made.waits = true
		if s.away != nil {
			return errors.Join(held, fmt.Errorf("capture %s is made, and waits on this machine until the repository can be reached: the next kist capture sends it, or kist resume", made.ID))
		}
		s.app.Say("The capture waits on this machine: the next kist capture sends it, or kist resume.")
		return held
	}
	_, err := s.app.sendWaitingInto(ctx, s.spool, r, made)
	if err != nil {
		made.waits = true
		return errors.Join(held, &madeError{fmt.Sprintf("capture %s is made, and waits on this machine: the next kist capture sends it, or kist resume", made.ID), err})
	}
	made.renew = func() { s.app.renewSlot(ctx, r) }
	return held
}

// sendWaitingInto sends a capture that was just made, and then what had waited before.
func (a *app) sendWaitingInto(ctx context.Context, s *spooled, r *repository, made *captured) ([]string, error) {
	sent, err := a.send(ctx, s, r, made.Capture)
	if err != nil {
		return nil, err
	}
	made.Added, made.Held = sent.Added, sent.Held
	ids, err := a.sendWaiting(ctx, s, r)
	a.tidySpool(ctx, s)
	return ids, err
}

// madeError says that a capture is made, though something failed afterwards.
type madeError struct {
	text string
	err  error
}

func (e *madeError) Error() string { return e.text + ": " + e.err.Error() }

func (e *madeError) Unwrap() error { return e.err }
