package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"github.com/dustin/go-humanize"

	"github.com/kistarchive/kist/cmd/kist/internal/metrics"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// captured is a capture that was made, and how long it took.
type captured struct {
	*store.Capture
	took time.Duration
	hold func() error // if it is to be held

	waits bool // in the spool, to be sent

	drafted bool // what was read before is in it

	renew func() // makes an old key slot anew
}

// held holds the capture, if it is to be.
func (t *captured) held() error {
	if t.hold == nil {
		return nil
	}
	if err := t.hold(); err != nil {
		// Not wrapped: an interrupt here leaves more than nothing.
		return fmt.Errorf("capture %s is made, but it is not held: %v (kist hold %s holds it)", t.ID, err, t.ID)
	}
	t.Held = true
	return nil
}

// changed gives how many files changed while they were read.
func (t *captured) changed() (n int) {
	for i := range t.Volumes {
		n += t.Volumes[i].Changed
	}
	return n
}

// report says what was captured. The capture is committed, whatever comes of it.
func (s *capturing) report(t *captured) error {
	held := t.held()
	s.app.summarize(t)
	gone := s.dropped(t.Capture)
	s.app.measure(t, len(gone) > 0)
	s.app.WarnAll(gone)
	if t.renew != nil {
		defer t.renew()
	}
	if s.app.JSON {
		if err := s.app.PrintJSON(newCaptureJSON(t.Capture, t.waits)); err != nil {
			return err
		}
	} else {
		s.app.Printf("%s\n", t.ID)
	}
	if !s.strict {
		return held
	}
	if n := t.changed(); n > 0 {
		held = errors.Join(held, fmt.Errorf("%s while being read: capture %s is committed, but may be of no single moment",
			screen.Count(n, "file changed", "files changed"), t.ID))
	}
	if out := s.unproved(t.Capture); len(out) > 0 {
		held = errors.Join(held, fmt.Errorf("left out, as set aside by a restore, which nothing proves but an inode number: %s. Capture %s is committed without it",
			screen.Line(strings.Join(out, ", ")), t.ID))
	}
	if len(gone) > 0 {
		held = errors.Join(held, fmt.Errorf("more than half is gone since capture %s: capture %s is committed (kist compare %s %s tells what is gone)",
			s.before.ID, t.ID, s.before.ID, t.ID))
	}
	return held
}

// unproved names what was left out as set aside, though neither when it was made nor this machine's book shows that it is.
func (s *capturing) unproved(c *store.Capture) (names []string) {
	for i := range c.Volumes {
		v := &c.Volumes[i]
		for _, out := range v.LeftOut {
			if !out.Proved && !s.app.book().Has(filepath.Join(v.Source, out.Path), out.Identity) {
				names = append(names, v.Name+":"+out.Path)
			}
		}
	}
	return names
}

// longRead is how long a capture may take before it is said why all was read.
const longRead = 10 * time.Second

// summarize says what was captured, and what is to be known of it.
func (a *app) summarize(t *captured) {
	for i := range t.Volumes {
		v := &t.Volumes[i]
		a.Say("Volume %s: %s, %s%s.", screen.Printable(v.Name), screen.Count(v.Members, "member", "members"), screen.Size(v.Bytes), volumeRemark(v, t.drafted))
		if v.FirstRead && t.took > longRead {
			a.Say("All of it was read, since this machine knows of no capture of it that it made itself. The next one reads what changed.")
		}
		if v.Unfinished != "" {
			a.Warn("volume %s is not complete: %s", screen.Printable(v.Name), screen.Line(v.Unfinished))
		}
		a.WarnAll(volumeWarnings(v))
	}
	for _, note := range t.Notes {
		a.Warn("%s", noteText(note))
	}
	grew := "repository"
	if t.waits {
		grew = "spool"
	}
	a.Say("Captured %s%s in %.1f s; the %s grew by %s.", screen.Printable(t.Name), withVersion(t.Capture), t.took.Seconds(), grew, screen.Size(t.Added))
}

func volumeWarnings(v *store.Volume) (texts []string) {
	for _, w := range v.Warnings {
		texts = append(texts, fmt.Sprintf("volume %s: %s", screen.Printable(v.Name), screen.Printable(w)))
	}
	if v.Changed > 0 {
		texts = append(texts, fmt.Sprintf("volume %s: %s while being read. Was the service stopped?",
			screen.Printable(v.Name), screen.Count(v.Changed, "file changed", "files changed")))
	}
	return texts
}

func withVersion(c *store.Capture) string {
	if c.Version == "" {
		return ""
	}
	return " " + screen.Printable(c.Version)
}

func volumeRemark(v *store.Volume, drafted bool) string {
	switch {
	case v.Reused > 0 && drafted:
		return fmt.Sprintf(", %s of them as before it was held still, and not read again", humanize.Comma(int64(v.Reused)))
	case v.Reused > 0:
		return fmt.Sprintf(", %s of them as before and not read again", humanize.Comma(int64(v.Reused)))
	case v.Compression != "":
		return fmt.Sprintf(", unpacked from %s (what restores is the tar stream inside)", screen.Printable(v.Compression))
	case !v.Tar:
		return ", no tar stream: kept as it is, as one member"
	}
	return ""
}

// measure tells of a capture for --metrics.
func (a *app) measure(t *captured, shrunk bool) {
	a.metrics.Set("taken_timestamp_seconds", "When the data of the last capture was as captured.", metrics.Seconds(t.Taken))
	a.metrics.Set("size_bytes", "Length of the streams of the last capture.", float64(t.Bytes))
	a.metrics.Set("added_bytes", "What the repository grew by with the last capture.", float64(t.Added))
	a.metrics.Set("members", "Members of the last capture.", float64(t.Members))
	a.metrics.Set("changed_files", "Files that changed while the last capture read them.", float64(t.changed()))
	a.metrics.Set("shrunk", "Whether more than half of a volume is gone since the capture before.", truth(shrunk))
}

// truth is a value for metrics.
func truth(is bool) float64 {
	if is {
		return 1
	}
	return 0
}
