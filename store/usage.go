package store

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"

	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weigh"
)

// UsageOptions choose captures whose costs are told. The zero value chooses all.
type UsageOptions struct {
	Name string // only captures of that name; "": of any
	Host string // and only of that host
}

// Usage says what a repository costs, in bytes.
type Usage struct {
	Captures []CaptureUsage `json:"captures"` // that were chosen, oldest first
	Total    Cost           `json:"total"`    // of all of Captures together
	Names    []NameUsage    `json:"names"`    // the same by name, sorted
	Hosts    []HostUsage    `json:"hosts"`    // and by host

	Captured int64 `json:"captured_bytes"` // Total.Captured
	// Stored is the length of all objects of the repository, whatever was chosen. What it has more than Total.Stored,
	// where all are chosen, is Reclaimable, and what lies beside chunks: tables, padding, key slots, marks.
	Stored int64 `json:"stored_bytes"`
	Slabs  int   `json:"slabs"` // of the whole repository
	// Reclaimable is how many bytes are kept by retired captures, and by what
	// captures that were never finished left, but by none that is not retired: about what
	// Reclaim could free once grace times have passed, if it moved the rest of every
	// slab. Counted as CaptureUsage.Alone is. What captures that are being made have
	// put so far is in it, too.
	Reclaimable int64 `json:"reclaimable_bytes"`

	// Unread are the ids of captures whose index files can't be read, whatever was chosen. They are in no figure but
	// Stored: what they need counts as nobody's, so that Reclaimable, and what is told to be Alone, is at most that.
	Unread []string `json:"unread,omitempty"`
	// InPart are the ids of captures that are not counted in full, whatever was chosen: chunks that they name can't be found,
	// as where a slab is missing. Those take nothing, as if they were known before, and what they would list is nobody's.
	InPart []string `json:"in_part,omitempty"`
}

// Cost says what some captures cost together, in bytes.
//
// Saved is Captured less Stored: the sum of Deduplication, Deltas and Compression, less Overhead. None of these four is below
// 0; Saved is where little was captured, or nothing can be made smaller.
type Cost struct {
	Captures int   `json:"captures"`
	Captured int64 `json:"captured_bytes"` // length of the captures' streams
	// Stored is what the chunks that they need take in slabs, each once, and their
	// index files. What others need as well is in it.
	Stored int64 `json:"stored_bytes"`
	// Alone is how much of Stored no other capture needs that is not retired: what FreedBy gives for them.
	Alone int64 `json:"alone_bytes"`
	Saved int64 `json:"saved_bytes"`
	// Deduplication is Captured less the lengths of the chunks that the captures consist of, each once.
	Deduplication int64 `json:"saved_by_deduplication_bytes"`
	// Deltas is what those of these chunks that are stored by what they are like would take otherwise, less what they take, and
	// less what chunks take that are needed only as what these are like. It is an estimate: as if each were compressed as well
	// as what it is like.
	Deltas int64 `json:"saved_by_deltas_bytes"`
	// Compression is the lengths of these chunks less what they take, or would take but for deltas.
	Compression int64 `json:"saved_by_compression_bytes"`
	// Overhead is the index files, and what one of the three costs more than it saves: as lists of members are more than what
	// a small capture saves, and as sealing adds to what can't be compressed.
	Overhead int64 `json:"overhead_bytes"`
}

// NameUsage says what the captures of one name cost.
type NameUsage struct {
	Name string `json:"name"`
	Cost
}

// HostUsage says what the captures of one host cost.
type HostUsage struct {
	Host string `json:"host"`
	Cost
}

// CaptureUsage says what one capture costs.
type CaptureUsage struct {
	*Capture
	// Holds is what all that it needs takes, as if there were no other capture: Cost.Stored
	// of it alone.
	Holds int64 `json:"holds_bytes"`
	// Fresh is how much of that no chosen capture before it needs. Of all chosen ones these
	// add up to Usage.Total.Stored.
	Fresh int64 `json:"fresh_bytes"`
	// Alone is how many bytes only this capture keeps: about what the repository
	// could free without it. Of a frame, each chunk counts by its length.
	Alone int64 `json:"alone_bytes"`
}

// Usage finds out what every capture keeps. It reads all tables and member
// lists' recipes, no contents, and takes 8 bytes and 3 bits of memory a chunk beside the
// index. Where some of a capture's chunks can't be found, it gives what can be counted, and an [ErrDamaged]. Where some index
// files are damaged, it gives what the others cost, and a *[DamagedError].
func (r *Repository) Usage(ctx context.Context) (u *Usage, err error) {
	return r.UsageOf(ctx, UsageOptions{})
}

// UsageOf is [Repository.Usage] for some captures. What they keep alone is held against all
// others, chosen or not. It fails with [ErrNotFound] where options choose none.
func (r *Repository) UsageOf(ctx context.Context, o UsageOptions) (u *Usage, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(ctx); err != nil {
		return nil, err
	}
	l, err := r.List(ctx)
	if err != nil {
		return nil, err
	}
	captures := withoutRetired(l.Captures)
	used, err := r.scales.Usage(ctx, inner(captures), func(c *ledger.Capture) bool { return o.chooses(c.Name, c.Host) })
	if err != nil {
		return nil, err
	}
	u = &Usage{
		Captures: []CaptureUsage{}, Total: newCost(used.Total), Names: []NameUsage{}, Hosts: []HostUsage{},
		Captured: used.Total.Captured, Stored: used.Stored, Slabs: used.Slabs, Reclaimable: used.Reclaimable,
	}
	for _, c := range captures {
		if o.chooses(c.Name, c.Host) {
			cost := used.Captures[len(u.Captures)]
			u.Captures = append(u.Captures, CaptureUsage{c, cost.Stored, cost.Fresh, cost.Alone})
		}
	}
	for _, s := range used.Names {
		u.Names = append(u.Names, NameUsage{s.Of, newCost(s.Cost)})
	}
	for _, s := range used.Hosts {
		u.Hosts = append(u.Hosts, HostUsage{s.Of, newCost(s.Cost)})
	}
	if len(u.Captures) == 0 && o != (UsageOptions{}) && l.Damage == nil {
		return nil, fmt.Errorf("a capture of %s: %w", o, ErrNotFound)
	}
	u.Unread, u.InPart, err = l.gaps(used.InPart)
	return u, err
}

// gaps gives the ids of captures that can't be read, and of those that are not counted in full, with an error that says why.
func (l *Listing) gaps(causes map[string]error) (unread, inPart []string, err error) {
	if err = l.err(); err != nil {
		unread = l.Damage.Captures
	}
	for _, id := range slices.Sorted(maps.Keys(causes)) {
		inPart = append(inPart, id)
		err = errors.Join(err, fmt.Errorf("capture %s: %w", id, causes[id]))
	}
	return unread, inPart, err
}

func (o UsageOptions) chooses(name, host string) bool {
	return (o.Name == "" || name == o.Name) && (o.Host == "" || host == o.Host)
}

// String names what is chosen.
func (o UsageOptions) String() string {
	switch {
	case o.Name == "":
		return fmt.Sprintf("host %q", o.Host)
	case o.Host == "":
		return fmt.Sprintf("%q", o.Name)
	}
	return fmt.Sprintf("%q on host %q", o.Name, o.Host)
}

func newCost(c weigh.Cost) Cost {
	cost := Cost{
		Captures: c.Captures, Captured: c.Captured, Stored: c.Stored, Alone: c.Alone,
		Saved:         c.Captured - c.Stored,
		Deduplication: max(0, c.Captured-c.Plain.Length-c.Deltas.Length),
		Deltas:        max(0, c.Whole-c.Deltas.Stored-c.Below),
		Compression:   max(0, c.Plain.Length-c.Plain.Stored+c.Deltas.Length-c.Whole),
	}
	cost.Overhead = cost.Deduplication + cost.Deltas + cost.Compression - cost.Saved
	return cost
}
