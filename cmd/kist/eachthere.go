package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// streams are those that captures have, for telling whether a tarball is in the repository.
type streams struct {
	r   *store.Repository
	all map[string][]*store.Capture // by the SHA-256 of an only stream

	checked bool            // that all objects are there
	doubted bool            // damage is known that shows only when frames are opened
	harmed  map[string]bool // by id; once doubted, of the captures that were opened
}

func newStreams(r *store.Repository, captures []*store.Capture) *streams {
	s := &streams{r: r, all: make(map[string][]*store.Capture), harmed: make(map[string]bool)}
	for _, c := range captures {
		s.note(c)
	}
	return s
}

// note notes the stream of a capture that has only one.
func (s *streams) note(c *store.Capture) {
	if len(c.Volumes) == 1 && c.Volumes[0].SHA256 != "" {
		s.all[c.Volumes[0].SHA256] = append(s.all[c.Volumes[0].SHA256], c)
	}
}

// find gives the capture that makes capturing a tarball superfluous, or nil; and if others have its stream, why they don't
// count: whoever is told that it is there may throw the tarball away.
func (s *streams) find(ctx context.Context, sum string, t *tarball) (_ *store.Capture, again string, err error) {
	var why []string
	for _, c := range s.all[sum] {
		switch {
		case c.Retired != nil:
			why = append(why, fmt.Sprintf("%s is retired, and reclaiming removes it", c.ID))
			continue
		case c.Name != t.Name || t.Version != "" && !hadVersion(c, t.Version):
			why = append(why, fmt.Sprintf("%s is of %s%s", c.ID, screen.Printable(c.Name), withVersion(c)))
			continue
		}
		harmed, err := s.isHarmed(ctx, c)
		if err != nil {
			return nil, "", err
		}
		if !harmed {
			return c, "", nil
		}
		why = append(why, fmt.Sprintf("%s is damaged (kist verify tells more)", c.ID))
	}
	return nil, strings.Join(why, "; "), nil
}

// hadVersion tells whether a capture is of a version, or was until it was amended.
func hadVersion(c *store.Capture, version string) bool {
	return c.Version == version || c.Amended != nil && c.Amended.Version != nil && *c.Amended.Version == version
}

// isHarmed tells whether a capture is known to be damaged, or misses objects.
func (s *streams) isHarmed(ctx context.Context, c *store.Capture) (bool, error) {
	if !s.checked {
		if err := s.check(ctx); err != nil {
			return false, err
		}
	}
	harmed, known := s.harmed[c.ID]
	if known || !s.doubted {
		return harmed, nil
	}
	report, err := s.r.Verify(ctx, store.VerifyOptions{Captures: []string{c.ID}, Full: true})
	if err != nil && !errors.Is(err, store.ErrNotFound) { // it went meanwhile
		return false, err
	}
	s.harmed[c.ID] = err != nil || slices.ContainsFunc(report.Damage, func(d store.Damage) bool { return slices.Contains(d.Captures, c.ID) })
	return s.harmed[c.ID], nil
}

// check looks once, without opening frames, whether what the captures need is there.
func (s *streams) check(ctx context.Context) error {
	report, err := s.r.Verify(ctx, store.VerifyOptions{})
	if err != nil {
		return err
	}
	for _, d := range report.Damage {
		for _, id := range d.Captures {
			s.harmed[id] = true
		}
	}
	earlier, err := s.r.Verifications(ctx)
	if err != nil {
		return err
	}
	for _, v := range earlier {
		s.doubted = s.doubted || v.Damaged > 0
	}
	s.checked = true
	return nil
}
