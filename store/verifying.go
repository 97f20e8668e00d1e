package store

import (
	"context"
	"fmt"

	"github.com/kistarchive/kist/store/internal/check"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/vault"
)

// VerifyOptions say how much is verified.
type VerifyOptions struct {
	// Captures restricts it to these ids; none means all captures, and all
	// objects of the repository.
	Captures []string
	// Full opens every frame, and rebuilds the digest of every capture from
	// what the frames hold. Without it, and without Sample, no frame is opened for
	// its own sake, but for those of which a mark says that they are harmed: all index files and tables are, and of every slab
	// the header and its own table, so that what is missing or cut short shows.
	Full bool
	// Sample opens that share of the frames, chosen at random: 0 to 1.
	Sample float64
	// Head are texts of Repository.Head, from then on: each capture that they name must be
	// there as it was, or have been removed on purpose. It goes without Captures.
	Head []string
	// Keep keeps what was found in the repository, as Repository.Verifications tells from then on,
	// with Host, where it is done: UTF-8 text of at most 4 KiB. Nothing else of the repository goes by
	// it. Where it can't be written, as on what is mounted read-only, a note of the report says so.
	Keep bool
	Host string
	// Progress, if set, is called now and then, by one goroutine at a time.
	Progress func(Progress)
}

// Report is what [Repository.Verify] found.
type Report struct {
	OK       bool     `json:"ok"` // no damage
	Captures int      `json:"captures"`
	Checked  int64    `json:"checked_bytes"` // of objects that were opened
	Damage   []Damage `json:"damage"`
	Notes    []string `json:"notes,omitempty"` // what is no damage, and worth knowing
}

// Damage is one thing that is missing or is not what was written.
type Damage struct {
	Object   string   `json:"object"`
	Problem  string   `json:"problem"`
	Captures []string `json:"captures"` // ids of those that it harms
	Members  []Harmed `json:"members"`  // the first 1,000 of them
	More     int      `json:"more_members,omitempty"`
	// Standing is how many frames elsewhere can't be read for it, since they were stored as what differs from it: what
	// is harmed by that is among Captures and Members.
	Standing int `json:"standing_frames,omitempty"`
	// Mendable tells that it is known what the object was, from its parity or a second copy: nothing is lost,
	// reading goes on by that, and Repair puts the object anew.
	Mendable bool `json:"mendable,omitempty"`
}

// Harmed names a member that can't be restored as captured.
type Harmed struct {
	Capture string `json:"capture"`
	Volume  string `json:"volume"`
	Path    string `json:"path"` // "" where the member list itself is harmed, and so all of the volume
}

// Verify finds out whether everything is there and unharmed. It lists every
// fault, writes nothing unless VerifyOptions.Keep says so, and fails only where it can't go on:
// damage is in the report. [ErrNotFound] is returned for a capture that isn't there.
func (r *Repository) Verify(ctx context.Context, o VerifyOptions) (report *Report, err error) {
	ctx, g := guarded(ctx)
	defer g.finish(&err)
	if err := r.open(ctx); err != nil {
		return nil, err
	}
	if !(o.Sample >= 0 && o.Sample <= 1) {
		return nil, fmt.Errorf("%w: a sample of %v: it is a share from 0 to 1", ErrBadOptions, o.Sample)
	}
	if _, err := ledger.ParseHeads(o.Head); err != nil {
		return nil, err
	}
	if len(o.Head) > 0 && len(o.Captures) > 0 {
		return nil, fmt.Errorf("%w: a head is about all captures, and some are named", ErrBadOptions)
	}
	var k *keeping
	if o.Keep {
		if k, err = r.beginKeeping(ctx, o); err != nil {
			return nil, err
		}
	}
	found, err := r.verifier.Verify(ctx, check.Options{Captures: o.Captures, Full: o.Full, Sample: o.Sample, Head: o.Head, Meter: func() *vault.Meter { return g.meter("VerifyOptions.Progress", o.Progress) }})
	if err != nil {
		return nil, err
	}
	report = givenReport(found)
	if k != nil {
		k.keep(ctx, r, report)
	}
	return report, nil
}

func givenReport(found *check.Report) *Report {
	r := &Report{OK: found.OK, Captures: found.Captures, Checked: found.Checked, Damage: []Damage{}, Notes: found.Notes}
	for _, d := range found.Damage {
		r.Damage = append(r.Damage, givenDamage(d))
	}
	return r
}

func givenDamage(d check.Damage) Damage {
	return Damage{Object: d.Object, Problem: d.Problem, Captures: d.Captures, Members: givenHarmed(d.Members), More: d.More, Standing: d.Standing, Mendable: d.Mendable}
}

func givenHarmed(all []check.Harmed) []Harmed {
	given := []Harmed{}
	for _, h := range all {
		given = append(given, Harmed(h))
	}
	return given
}
