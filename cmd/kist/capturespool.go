package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"syscall"
	"time"

	"github.com/dustin/go-humanize"
	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/sources"
	"github.com/kistarchive/kist/cmd/kist/internal/spool"
	"github.com/kistarchive/kist/cmd/kist/internal/stopped"
	"github.com/kistarchive/kist/cmd/kist/internal/where"
	"github.com/kistarchive/kist/store"
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
		return s, usagef("capture: --each goes with neither --spool nor --spool-only: what the repository has already is passed over, so it must be looked at, and taken into, at once")
	}
	return s, nil
}

// open opens the repository, or the spool, or both. Where the repository is away, it gives none. held tells whether
// something is held still while it is captured.
func (s *capturing) open(ctx context.Context, held bool) (r *repository, err error) {
	a := s.app
	if s.through.only {
		s.spool, err = a.spoolToFill(ctx)
		return nil, a.adviseSpoolOnly(err)
	}
	wait := s.through.wait
	if s.through.never {
		wait = 0 // nothing else is there to go to
	}
	r, err = a.openWithin(ctx, wait)
	if err != nil {
		if s.through.never || !isAway(err) {
			return nil, err
		}
		alone, failed := a.spoolToFill(ctx)
		if failed != nil {
			return nil, err
		}
		a.Warn("%s The capture goes into the spool on this machine", sentence(err))
		s.spool, s.away = alone, err
		return nil, nil
	}
	a.warnElsewhere(spoolName(r.Repository))
	_, keeps := a.spools()
	if !keeps && !s.through.never && (s.through.wanted || held && r.at.IsFar()) {
		a.Warn("KIST_STATE is off, so this machine has no spool: the capture goes into the repository at once, and what is held still for it is so for as long as the repository takes")
	}
	if s.through.never || !s.through.wanted && (!held || !r.at.IsFar()) {
		return r, nil
	}
	if s.spool, err = a.spoolBeside(ctx, r, true); err != nil {
		a.Warn("%s The capture goes into the repository at once", sentence(err))
	}
	return r, nil
}

// adviseSpoolOnly says how there comes to be a spool, where a capture is to go into it alone and there is none.
func (a *app) adviseSpoolOnly(err error) error {
	if !errors.Is(err, errNoSpool) {
		return err
	}
	if _, keeps := a.spools(); !keeps {
		return &advised{err, "KIST_STATE is off, so that it can have none."}
	}
	return &advised{err, "--spool-only leaves the repository alone, and so makes none. Capture once with --spool and without --spool-only, while the repository can be reached."}
}

// openWithin opens the repository, unless it is silent for the time wait.
func (a *app) openWithin(ctx context.Context, wait time.Duration) (*repository, error) {
	place, err := a.repositoryPlace()
	if err != nil {
		return nil, err
	}
	return a.openPlace(ctx, place, wait, func(ctx context.Context, at *where.Opened) (*repository, error) {
		return a.openIn(ctx, at, a.openOptions())
	})
}

// close closes what open opened, and frees what a capture left in the spool that found no room there.
func (s *capturing) close(ctx context.Context, r *repository) {
	if s.left != nil {
		s.spool, s.left = s.left, nil
	}
	if s.full && s.spool != nil {
		if err := s.spool.makeRoom(ctx, func() bool { return s.made }, sentBut(s.options.Name, s.options.Host)); err != nil && ctx.Err() == nil {
			s.app.Warn("what the capture left in the spool in %s was not removed, and the next kist capture tries again: %s", screen.Printable(s.spool.place.Dir), screen.Text(err.Error()))
		}
	}
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
	need, left, by, err := s.room(ctx)
	if err == nil && left < need {
		enough := func() bool {
			need, left, by, err = s.room(ctx)
			return err != nil || left >= need
		}
		choices := []choice{sentBut(s.options.Name, s.options.Host)}
		if all := left + s.spool.place.Size(); s.before == nil || all >= leastSpool+int64(s.before.Bytes) { // what was sent of it takes more than it saves
			choices = append(choices, everySent)
		}
		if failed := s.spool.makeRoom(ctx, enough, choices...); failed != nil {
			s.app.Warn("the spool in %s needs room, and none could be made: %s", screen.Printable(s.spool.place.Dir), screen.Text(failed.Error()))
		}
		need, left, by, err = s.room(ctx)
	}
	if err != nil {
		return err
	}
	if left < need {
		dir := s.spool.place.Dir
		what := fmt.Sprintf("the spool in %s has room for %s%s, and the capture may take %s", screen.Line(dir), screen.Size(uint64(max(left, 0))), by, screen.Size(uint64(need)))
		if r == nil {
			return &advised{fmt.Errorf("%s: nothing was captured", what), roomAdvice}
		}
		s.app.Warn("%s: it goes into the repository at once", what)
		s.leaveSpool()
		return nil
	}
	s.bound()
	return nil
}

// bound has the spool hold no more than it may.
func (s *capturing) bound() {
	if s.through.limit > 0 {
		s.spool.room.Allow(max(s.through.limit-s.spool.place.Size(), 0))
	}
}

const roomAdvice = "kist resume, with the repository in reach, sends what waits, so that there is room again; or give a higher --spool-limit, or more room to the disk."

// room gives how much the capture may take in the spool, and how much is left there, as much as can be where nothing tells; by says what bounds
// that, if it is not the disk.
func (s *capturing) room(ctx context.Context) (need, left int64, by string, err error) {
	known, err := s.spool.Before(ctx, s.options.Name, s.options.Host, time.Now().Add(store.ClockTolerance))
	if err != nil && !errors.Is(err, store.ErrDamaged) {
		return 0, 0, "", err
	}
	need = leastSpool
	if known == nil && s.before != nil {
		need += int64(s.before.Bytes)
	}
	left, ok := files.Available(s.spool.place.Dir)
	if !ok {
		left = math.MaxInt64
	}
	if limit := s.through.limit; limit > 0 {
		if size := s.spool.place.Size(); limit-size < left {
			left, by = limit-size, " by --spool-limit"
		}
	}
	return need, left, by, nil
}

// isRoomless tells whether a capture failed for want of room in the spool.
func (s *capturing) isRoomless(err error) bool {
	return s.spool != nil && (errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) || errors.Is(err, spool.ErrLimit))
}

// madeRoom makes room in the spool where a capture failed for want of it, by all that nothing needs, and tells whether it did.
func (s *capturing) madeRoom(ctx context.Context, err error) bool {
	if !s.isRoomless(err) || s.spool.makeRoom(ctx, func() bool { return false }, everySent) != nil {
		return false
	}
	s.bound()
	return true
}

// readsAgain tells whether all sources can be read a second time.
func (s *capturing) readsAgain() bool {
	return !slices.ContainsFunc(s.sources, func(from *sources.Source) bool { return from.Kind != sources.Folder })
}

// isFull tells whether a capture failed for want of room in the spool, and then goes on without that.
func (s *capturing) isFull(err error, r *repository) bool {
	if !s.isRoomless(err) {
		return false
	}
	s.full = true
	if r == nil {
		return false
	}
	s.app.Warn("the spool in %s is full: the capture goes into the repository at once", screen.Printable(s.spool.place.Dir))
	s.left, s.spool = s.spool, nil
	return true
}

// withRoom says of a capture that found no room in the spool what to do.
func (s *capturing) withRoom(err error) error {
	if !s.isRoomless(err) {
		return err
	}
	dir := screen.Line(s.spool.place.Dir)
	if errors.Is(err, spool.ErrLimit) && !errors.As(err, new(*stopped.DownError)) { // where it stopped tells nothing
		return &advised{fmt.Errorf("%w: nothing was captured into %s", spool.ErrLimit, dir), roomAdvice}
	}
	return &advised{fmt.Errorf("the spool in %s is full, and nothing was captured: %w", dir, err), roomAdvice}
}

// deliver sends a capture that was taken into the spool. Whatever becomes of that, it is made.
func (s *capturing) deliver(ctx context.Context, r *repository, made *captured) error {
	if s.spool == nil {
		if made.ID != "" && r != nil {
			_, err := s.app.sendLeft(ctx, r, false)
			return s.app.warnDamaged(err)
		}
		return nil
	}
	held := made.held()
	made.hold = nil
	if r == nil {
		made.waits = true
		if s.away != nil {
			until := "the repository can be reached"
			if where.IsRefused(s.away) {
				until = "the object store takes the keys, which are to be put right"
			}
			return errors.Join(held, fmt.Errorf("capture %s is made, and waits on this machine until %s: the next kist capture sends it, or kist resume", made.ID, until))
		}
		s.app.Say("The capture waits on this machine: the next kist capture sends it, or kist resume.")
		return held
	}
	sent, err := s.app.sendMade(ctx, s.spool, r, made)
	if err != nil && !sent {
		made.waits = true
		return errors.Join(held, &madeError{fmt.Sprintf("capture %s is made, and waits on this machine: the next kist capture sends it, or kist resume", made.ID), err})
	}
	made.renew = func() { s.app.renewSlot(ctx, r) }
	return errors.Join(held, err)
}

// madeError says that a capture is made, though something failed afterwards.
type madeError struct {
	text string
	err  error
}

func (e *madeError) Error() string { return e.text + ": " + e.err.Error() }

func (e *madeError) Unwrap() error { return e.err }
