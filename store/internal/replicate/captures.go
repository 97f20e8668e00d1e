package replicate

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
)

// captures are those of one place, and what its marks say of them.
type captures struct {
	byID    map[string]*ledger.Capture
	all     []*ledger.Capture
	unread  map[string]error // captures of which no index file can be read
	stand   *ledger.Standing
	going   *ledger.Batches
	gone    ledger.Departures
	away    *ledger.Elsewhere
	highest map[string]int // generations
}

func readCaptures(ctx context.Context, l *ledger.Ledger) (*captures, error) {
	c := &captures{byID: make(map[string]*ledger.Capture), unread: make(map[string]error)}
	all, damage, err := l.ReadAll(ctx)
	if err != nil {
		return nil, err
	}
	files, err := l.ListCaptures(ctx)
	if err != nil {
		return nil, err
	}
	c.highest = ledger.HighestGenerations(files)
	if c.stand, err = l.ReadStanding(ctx); err != nil {
		return nil, err
	}
	if c.going, err = l.ReadBatches(ctx); err != nil {
		return nil, err
	}
	if c.away, err = l.ReadElsewhere(ctx); err != nil {
		return nil, err
	}
	c.gone = c.going.Departures()
	c.stand.Apply(all)
	c.all = all
	for _, one := range all {
		c.byID[one.ID] = one
	}
	for _, err := range damage {
		var object *vault.ObjectError
		if !errors.As(err, &object) {
			continue
		}
		if id, _, bad := names.ParseCapture(object.Object); bad == nil && c.byID[id] == nil {
			c.unread[id] = err
		}
	}
	return c, nil
}

// choose gives the captures to send, in the order in which they were written: so that each comes after those that it saw.
func (p *replication) choose(context.Context) ([]*ledger.Capture, error) {
	for _, id := range p.o.Captures {
		if p.here.byID[id] == nil && p.here.unread[id] == nil {
			return nil, fmt.Errorf("capture %s: %w", id, vault.ErrNotFound)
		}
	}
	for id, err := range p.here.unread {
		if p.asked(id) {
			p.damage(objectOf(err, id), false, err, id)
		}
	}
	var todo []*ledger.Capture
	for _, c := range p.here.all {
		if p.asked(c.ID) && p.wants(c) {
			todo = append(todo, c)
		}
	}
	slices.SortFunc(todo, func(a, b *ledger.Capture) int {
		return cmp.Or(a.Written.Compare(b.Written), strings.Compare(a.ID, b.ID))
	})
	return todo, nil
}

func objectOf(err error, id string) string {
	var object *vault.ObjectError
	if errors.As(err, &object) {
		return object.Object
	}
	return names.Capture(id, 0)
}

// asked tells whether a capture is among those that were asked for.
func (p *replication) asked(id string) bool {
	return len(p.o.Captures) == 0 || slices.Contains(p.o.Captures, id)
}

// Why captures are left out.
const (
	leftRetired  = "it is retired"
	leftGoing    = "it is being removed"
	leftGone     = "it was removed there; it is sent when it is named"
	leftRepaired = "one of the two was changed by repairing"
)

// wants tells whether a capture is to be sent, and notes why it is not.
func (p *replication) wants(c *ledger.Capture) bool {
	named := len(p.o.Captures) > 0
	leave := func(why string) bool {
		p.out.Left = append(p.out.Left, Left{c.ID, why})
		return false
	}
	if there := p.there.byID[c.ID]; there != nil {
		return p.compare(c, there)
	}
	switch {
	case p.there.unread[c.ID] != nil:
		err := p.there.unread[c.ID]
		p.damage(objectOf(err, c.ID), true, err, c.ID)
		return false
	case p.here.going.Removes(c.ID):
		return leave(leftGoing)
	case c.Retired != nil && !named:
		return leave(leftRetired)
	case p.there.gone.Names(c.ID) && !named:
		return leave(leftGone)
	}
	return true
}

// compare holds a capture against the one of its id there.
func (p *replication) compare(c, there *ledger.Capture) bool {
	switch hash, other := c.Hash(), there.Hash(); {
	case hash == other:
		p.out.Same++
		p.same = append(p.same, there)
		if a, b := c.Amended, there.Amended; a != nil && (b == nil || a.At.After(b.At)) {
			p.out.Amend = append(p.out.Amend, Amend{c.ID, a})
		}
	case p.here.gone.Covers(c.ID, other), p.there.gone.Covers(c.ID, hash):
		p.out.Left = append(p.out.Left, Left{c.ID, leftRepaired})
	default:
		p.out.Differ = append(p.out.Differ, c.ID)
	}
	return false
}
