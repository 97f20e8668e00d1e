package weigh

import (
	"context"
	"slices"
	"strings"

	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
)

// Usage says what a repository costs, in bytes.
type Usage struct {
	Captures []Cost // each of the chosen captures; Fresh: what none of them before it needs
	Total    Cost   // all of them together
	Names    []Share
	Hosts    []Share

	Stored      int64 // of all objects of the repository
	Reclaimable int64 // what no capture needs, chosen or not
	Slabs       int

	// InPart says why captures, by their ids, chosen or not, are not counted in full.
	InPart map[string]error
}

// Share is what the chosen captures of one name, or of one host, cost.
type Share struct {
	Of string
	Cost
}

// Usage finds out what captures keep, those that are chosen each by itself: all others only
// make that these don't keep something alone.
func (r *Scales) Usage(ctx context.Context, captures []*ledger.Capture, chosen func(*ledger.Capture) bool) (*Usage, error) {
	u := &Usage{}
	indexes, err := r.measureObjects(ctx, u)
	if err != nil {
		return nil, err
	}
	c, err := r.newCensus(ctx)
	if err != nil {
		return nil, err
	}
	var some, others group
	for _, capture := range captures {
		if chosen(capture) {
			some = append(some, capture)
		} else {
			others = append(others, capture)
		}
	}
	t, err := c.count(ctx, []group{some, others})
	if err != nil {
		return nil, err
	}
	u.Captures, u.Total, u.InPart = t.captures[:len(some)], t.groups[0], t.inPart
	// What others need that the chosen ones don't is fresh with them.
	u.Reclaimable = indexes + c.total - t.groups[0].Fresh - t.groups[1].Fresh
	if u.Names, err = c.shares(ctx, some, others, u.Total, func(c *ledger.Capture) string { return c.Name }); err != nil {
		return nil, err
	}
	u.Hosts, err = c.shares(ctx, some, others, u.Total, func(c *ledger.Capture) string { return c.Host })
	return u, err
}

// measureObjects adds up what is stored. It gives the length of all index files.
func (r *Scales) measureObjects(ctx context.Context, u *Usage) (indexes int64, err error) {
	objects, err := r.stock.Vault().List(ctx, "")
	if err != nil {
		return 0, err
	}
	for _, o := range objects {
		u.Stored += o.Size
		if _, err := names.ParseSlab(o.Name); err == nil {
			u.Slabs++
		}
		if _, _, err := names.ParseCapture(o.Name); err == nil {
			indexes += o.Size
		}
	}
	return indexes, nil
}

// shares counts captures by what of gives, in the order of that. Where there is one such
// share, it is the total.
func (c *census) shares(ctx context.Context, some, others group, total Cost, of func(*ledger.Capture) string) ([]Share, error) {
	parts := make(map[string]group)
	var shares []Share
	for _, capture := range some {
		key := of(capture)
		if parts[key] == nil {
			shares = append(shares, Share{Of: key, Cost: total})
		}
		parts[key] = append(parts[key], capture)
	}
	if len(shares) < 2 {
		return shares, nil
	}
	slices.SortFunc(shares, func(a, b Share) int { return strings.Compare(a.Of, b.Of) })
	groups := make([]group, 0, len(shares)+1)
	for _, s := range shares {
		groups = append(groups, parts[s.Of])
	}
	t, err := c.count(ctx, append(groups, others))
	if err != nil {
		return nil, err
	}
	for i := range shares {
		shares[i].Cost = t.groups[i]
	}
	return shares, nil
}
