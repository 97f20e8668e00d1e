package main

import (
	"context"
	"errors"
	"slices"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/store"
)

// openUpgrade opens what an upgrade captures into: the repository, or the spool beside it where that lies on a share.
func (a *app) openUpgrade(c *cli.Context, s *capturing) (*upgradeData, error) {
	r, err := a.open(c.Context)
	if err != nil {
		return nil, err
	}
	d := &upgradeData{app: a, r: r, s: s, acceptDamage: c.Bool("accept-damage")}
	if c.Bool("no-spool") || c.Bool("dry-run") || !c.Bool("spool") && !r.at.IsFar() {
		return d, nil
	}
	if s.spool, err = a.spoolBeside(c.Context, r, true); err != nil {
		a.Warn("%s The capture goes into the repository at once", sentence(err))
	}
	if s.spool != nil {
		d.r, d.home, d.spooled = s.spool.repository, r, true
	}
	return d, nil
}

// upgradedFrom opens what has the capture of an upgrade: the spool as long as that waits there, or the repository is away.
func (a *app) upgradedFrom(ctx context.Context, capture string) (*upgradeData, error) {
	has := func(all []*store.Capture) bool {
		return slices.ContainsFunc(all, func(c *store.Capture) bool { return c.ID == capture })
	}
	r, err := a.open(ctx)
	if err != nil {
		if !isAway(err) || capture == "" {
			return nil, err
		}
		s, failed := a.spoolAlone(ctx)
		if failed != nil {
			return nil, err
		}
		if all, failed := s.Captures(ctx); failed != nil || !has(all) {
			s.Close()
			return nil, err
		}
		return &upgradeData{app: a, r: s.repository, spooled: true}, nil
	}
	s, waiting, _, err := a.waiting(ctx, r, nil)
	if err == nil && s == nil || err == nil && !has(waiting) {
		if s != nil {
			s.Close()
		}
		return &upgradeData{app: a, r: r}, nil
	}
	if err != nil {
		return nil, errors.Join(err, r.Close())
	}
	return &upgradeData{app: a, r: s.repository, home: r, spooled: true}, nil
}

// deliver sends what an upgrade captured into the spool, however it ended. It waits there where that fails.
func (d *upgradeData) deliver(ctx context.Context) {
	if d.home == nil {
		return
	}
	done, err := d.app.sending(ctx, d.s.spool, d.home)
	if err == nil {
		defer done()
		_, err = d.app.sendWaiting(ctx, d.s.spool, d.home)
	}
	if err := d.app.warnDamaged(err); err != nil {
		d.app.Warn("%s The next kist capture sends it, or kist resume", sentence(err))
	}
}
