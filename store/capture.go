package store

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/mend"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/volume"
)

// Capture is one dated, labelled, immutable record of a service's volumes.
type Capture struct {
	ID      string            `json:"id"`
	Name    string            `json:"name"`
	Version string            `json:"version"`
	Note    string            `json:"note"`
	Taken   time.Time         `json:"taken"` // when the data was as captured
	Host    string            `json:"host"`
	Members uint64            `json:"members"`
	Bytes   uint64            `json:"bytes"`       // length of the volumes' streams
	Added   uint64            `json:"added_bytes"` // what the repository grew by on disk
	Held    bool              `json:"held"`
	Retired *Retirement       `json:"retired,omitempty"` // nil: it is not
	Labels  map[string]string `json:"labels,omitempty"`  // the caller's own
	Written time.Time         `json:"written"`           // by the writer's clock
	Volumes []Volume          `json:"volumes"`

	// Amended says what Amend changed; nil: all is as it was first recorded.
	Amended *Amendment `json:"amended,omitempty"`

	// Rehearsed says how the latest rehearsal went that is known; nil: none is.
	Rehearsed *Rehearsal `json:"rehearsed,omitempty"`

	// Doubts say why the data may be of no single moment, or not be all: none mostly.
	Doubts []Doubt `json:"doubts,omitempty"`

	// Notes are known to whoever captured only: what is wrong with the repository and
	// made the capture larger or slower than it need be.
	Notes []string `json:"-"`

	captured *ledger.Capture
	unread   bool               // its index file is damaged: there is no more than an id
	repo     crypt.RepositoryID // that gave it
}

// Volume is one tree of data in a capture, or one stream.
type Volume struct {
	Name        string `json:"name"`
	MountPath   string `json:"mount_path,omitempty"`
	Source      string `json:"source,omitempty"`      // where it was read from
	Compression string `json:"compression,omitempty"` // of the input that was unpacked
	Tar         bool   `json:"tar"`                   // else plain contents
	Members     uint64 `json:"members"`
	Bytes       uint64 `json:"bytes"`                // length of the stream
	SHA256      string `json:"sha256,omitempty"`     // of the stream, in hexadecimal
	Unfinished  string `json:"unfinished,omitempty"` // what was wrong with a stream accepted unfinished

	// Warnings say what may not be as expected: files that changed while they were
	// read, sockets, what is mounted below.
	Warnings []string `json:"warnings,omitempty"`

	// Dropped says what of it Repair gave up for good, if anything: the first of the members, by their paths, as
	// "data.db, more.db, and 3 more", or volumes that are not there any more. Warnings have it, too.
	Dropped []string `json:"dropped,omitempty"`

	// Changed and Reused are known to whoever captured only: how many files
	// changed while they were read and did not hold still, and how many members
	// were taken over from an earlier capture.
	Changed int `json:"-"`
	Reused  int `json:"-"`
	// FirstRead is too: a folder was read as a whole, since there is no capture of it
	// that this machine knows to have made itself (see OpenOptions.State).
	FirstRead bool `json:"-"`
	// LeftOut is too: what was left out of a folder since a restore set it aside there, by a marker in a mount point. A warning
	// names each.
	LeftOut []volume.LeftOut `json:"-"`

	record *format.Volume
	of     *Capture
}

// Digests gives the digests of the volume's member list and of its contents, in
// hexadecimal. Two volumes with the same ones have the same stream, be it read
// or taken over. It gives "" for a volume that no [Repository] gave.
func (v *Volume) Digests() string {
	if v == nil || v.record == nil {
		return ""
	}
	d := v.record.MemberList.Digest.String()
	if v.record.Contents != nil {
		d += v.record.Contents.Digest.String()
	}
	return d
}

// given is a capture for whoever uses the package.
func (r *Repository) given(f *ledger.Capture) *Capture {
	now := f.Current()
	c := &Capture{
		ID: f.ID, Name: f.Name, Version: now.Version, Note: now.Note, Host: f.Host, Labels: now.Labels,
		Taken: now.Taken, Amended: newAmendment(f.IndexFile), Written: f.Written, Added: f.Added + uint64(f.Info.Size),
		Held: f.Held, Rehearsed: newRehearsal(f.Rehearsed), captured: f, repo: r.vault.ID(),
	}
	if f.Retired != nil {
		c.Retired = (*Retirement)(f.Retired)
	}
	for i := range f.Volumes {
		v := &f.Volumes[i]
		c.Members += v.Members
		c.Bytes += v.Length
		c.Volumes = append(c.Volumes, newVolume(v))
		c.Volumes[i].of = c
	}
	c.Doubts = doubtsOf(c)
	return c
}

func newVolume(v *format.Volume) Volume {
	out := Volume{
		Name: v.Name, MountPath: v.MountPath, Source: v.Source, Compression: v.Compression,
		Tar: v.Tar, Members: v.Members, Bytes: v.Length, Unfinished: v.Unfinished, Warnings: v.Warnings,
		record: v,
	}
	for _, text := range v.Warnings {
		if what, ok := strings.CutPrefix(text, mend.DroppedText); ok {
			out.Dropped = append(out.Dropped, what)
		}
	}
	if len(v.SHA256) > 0 {
		out.SHA256 = fmt.Sprintf("%x", v.SHA256)
	}
	return out
}

// Volume gives the volume of that name; "" means the only one. It fails with
// [ErrNotFound], with [ErrAmbiguous] for "" where there are several, and with [ErrForeign] for
// a nil Capture.
func (c *Capture) Volume(name string) (*Volume, error) {
	if c == nil {
		return nil, fmt.Errorf("no capture: %w", ErrForeign)
	}
	if name == "" && len(c.Volumes) == 1 {
		return &c.Volumes[0], nil
	}
	var all []string
	for i := range c.Volumes {
		if c.Volumes[i].Name == name && name != "" {
			return &c.Volumes[i], nil
		}
		all = append(all, c.Volumes[i].Name)
	}
	if name == "" {
		return nil, fmt.Errorf("capture %s has %s (%s): %w: name one", c.ID, names.Count(len(all), "volume", "volumes"), vault.OneLine(strings.Join(all, ", ")), ErrAmbiguous)
	}
	return nil, fmt.Errorf("volume %q of capture %s: %w: it has %s", name, c.ID, ErrNotFound, vault.OneLine(strings.Join(all, ", ")))
}

// Captures lists the captures, oldest first, without those that are retired.
// Where some index files are damaged, it gives the others and a *DamagedError.
func (r *Repository) Captures(ctx context.Context) ([]*Capture, error) {
	all, err := r.AllCaptures(ctx)
	return withoutRetired(all), err
}

// AllCaptures is [Repository.Captures] with those that are retired and not yet removed.
func (r *Repository) AllCaptures(ctx context.Context) ([]*Capture, error) {
	l, err := r.List(ctx)
	if err != nil {
		return nil, err
	}
	return l.Captures, l.err()
}

func withoutRetired(all []*Capture) []*Capture {
	return slices.DeleteFunc(slices.Clone(all), func(c *Capture) bool { return c == nil || c.Retired != nil })
}

// Find gives the capture that a selector means:
//
//   - its id, or any leading part of it that fits no other;
//   - "latest": the newest of all;
//   - NAME@latest, NAME@VERSION: the newest of that name, and of that version;
//   - NAME@DATE: the newest of that name of a day, as 2026-03-14 or 20260314, by this
//     machine's calendar (time.Local).
//
// The newest is that which was taken last, and of those taken at once, written last. It is
// never one that is dated after now, by more than [ClockTolerance]; by a version or date such
// a one is found where no other fits. Retired captures are found by their ids alone, where
// no other fits.
//
// Ids are of UTC. Where 20260314, or a leading part of it, means other captures by their
// ids than by this machine's calendar, it is ambiguous. So is NAME@… where several hosts
// use the name, and what fits one capture by its version and another by its date: see
// [Listing.Choose] for more. Names and versions may have an "@".
//
// It fails with [ErrNotFound], with an *AmbiguousError ([ErrAmbiguous]), and with a
// *DamagedError where index files that can't be read may make it another one: those of
// the capture itself and, by latest, version or date, of one that is not older by its id.
func (r *Repository) Find(ctx context.Context, selector string) (*Capture, error) {
	l, err := r.List(ctx)
	if err != nil {
		return nil, err
	}
	return l.Find(selector)
}

// Select is [Repository.Find] among captures that [Repository.Captures] or [Repository.AllCaptures] gave, all of them: where one
// can't be read, the latest may be another. [Listing.Find] knows of those.
func Select(captures []*Capture, selector string) (*Capture, error) {
	s := parseSelector(selector)
	return s.choose(captures, ChooseOptions{})
}

// captured gives the volume as the rooms know it.
func (v *Volume) captured() *ledger.Volume {
	return &ledger.Volume{Volume: v.record, Of: v.of.captured}
}

// inner gives captures as the rooms know them.
func inner(captures []*Capture) []*ledger.Capture {
	all := make([]*ledger.Capture, len(captures))
	for i, c := range captures {
		all[i] = c.captured
	}
	return all
}
