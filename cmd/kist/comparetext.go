package main

import (
	"context"
	"errors"
	"fmt"
	"path"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/members"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/textdiff"
	"github.com/kistarchive/kist/store"
)

// textJSON is the difference of a text as scripts get it.
type textJSON struct {
	Was       string `json:"was"`
	Is        string `json:"is"`
	Volume    string `json:"volume"`
	Path      string `json:"path"`
	PathBytes []byte `json:"path_bytes,omitempty"`
	Text      string `json:"text"` // "": nothing differs
	TextBytes []byte `json:"text_bytes,omitempty"`
}

// compareText prints how the text of a member differs.
func (a *app) compareText(c *cli.Context, r *repository, was, is *store.Capture) error {
	path := c.String("text")
	p := textPair{path: path, was: was, is: is}
	volumes, err := volumePairs(was, is, c.String("volume"))
	if err != nil {
		return err
	}
	if err := p.find(c.Context, r, volumes); err != nil {
		return err
	}
	text := textdiff.Unified(p.sides[0], p.sides[1])
	switch {
	case a.JSON:
		out := textJSON{Was: was.ID, Is: is.ID, Volume: p.volume, Path: path, PathBytes: members.RawName(path), Text: text}
		if !utf8.ValidString(text) {
			out.TextBytes = []byte(text)
		}
		return a.PrintJSON(out)
	case text == "":
		a.Say("The text of %s is the same in both.", screen.Line(path))
	case a.Out.IsTerminal(): // which obeys what a text may hold
		for line := range strings.Lines(text) {
			a.Printf("%s\n", screen.Tabbed(strings.TrimSuffix(line, "\n")))
		}
	default:
		a.Printf("%s", text)
	}
	return nil
}

// volumePairs pairs the volumes of two captures. Where a name is given, only that pair is meant.
func volumePairs(was, is *store.Capture, name string) ([]store.VolumePair, error) {
	pairs := slices.DeleteFunc(store.PairVolumes(was, is), func(p store.VolumePair) bool { return name != "" && !p.Named(name) })
	if len(pairs) == 0 {
		return nil, fmt.Errorf("volume %q: %w: neither capture has it", name, store.ErrNotFound)
	}
	return pairs, nil
}

// textPair is a member's text in two captures.
type textPair struct {
	path    string
	was, is *store.Capture
	volume  string
	sides   [2]textdiff.Side
}

// find reads the member in the only pair of volumes that has it.
func (p *textPair) find(ctx context.Context, r *repository, pairs []store.VolumePair) error {
	var found []string
	var missing error
	for _, pair := range pairs {
		sides, err := p.read(ctx, r, pair)
		if errors.Is(err, store.ErrNotFound) {
			missing = err
			continue
		}
		if err != nil {
			return err
		}
		for _, v := range []*store.Volume{pair.Was, pair.Is} {
			if v != nil {
				p.volume = v.Name
			}
		}
		p.sides = sides
		found = append(found, p.volume)
	}
	switch len(found) {
	case 0:
		return fmt.Errorf("%w%s (kist find tells where there is one)", missing, p.elsewhere(ctx, r, pairs))
	case 1:
		return nil
	}
	return usagef("compare: member %s is in volumes %s: give --volume", screen.Line(p.path), screen.Line(strings.Join(found, ", ")))
}

// elsewhere says where members of the same name lie in the later capture; "": nowhere, as far as it can be read.
func (p *textPair) elsewhere(ctx context.Context, r *repository, pairs []store.VolumePair) string {
	const most = 3
	var there []string
	for _, pair := range pairs {
		if pair.Is == nil {
			continue
		}
		for m, err := range r.Members(ctx, pair.Is) {
			if err != nil || len(there) == most {
				break
			}
			if at := store.CleanPath(m.Path); path.Base(at) == path.Base(store.CleanPath(p.path)) {
				there = append(there, screen.Line(at))
			}
		}
	}
	if len(there) == 0 {
		return ""
	}
	return "; there is " + strings.Join(there, ", ")
}

// read reads both sides of a pair, of which one may be without the member.
func (p *textPair) read(ctx context.Context, r *repository, pair store.VolumePair) (sides [2]textdiff.Side, err error) {
	var missing error
	captures := []*store.Capture{p.was, p.is}
	for i, v := range []*store.Volume{pair.Was, pair.Is} {
		if v == nil {
			continue
		}
		sides[i], err = readSide(ctx, r, captures[i], v, p.path)
		if errors.Is(err, store.ErrNotFound) {
			missing, err = err, nil
		}
		if err != nil {
			return sides, err
		}
	}
	if sides[0].Path == "" && sides[1].Path == "" {
		return sides, missing
	}
	return sides, nil
}

func readSide(ctx context.Context, r *repository, c *store.Capture, v *store.Volume, path string) (textdiff.Side, error) {
	m, content, err := r.OpenMember(ctx, v, path)
	if err != nil {
		return textdiff.Side{}, fmt.Errorf("capture %s: %w", c.ID, err)
	}
	defer content.Close()
	text, err := textdiff.Read(content)
	if errors.Is(err, textdiff.ErrBinary) || errors.Is(err, textdiff.ErrTooLarge) {
		more := "kist restore --only takes it out of each capture, for a program that knows what it is."
		if errors.Is(err, textdiff.ErrTooLarge) {
			more = "Restore it from each capture into a folder of its own, with kist restore --only, and compare the two with diff -u."
		}
		return textdiff.Side{}, &advised{fmt.Errorf("member %s of capture %s can't be compared as a text: %w", screen.Line(path), c.ID, err), more}
	}
	if err != nil {
		return textdiff.Side{}, fmt.Errorf("capture %s, member %q: %w", c.ID, path, err)
	}
	return textdiff.Side{Path: c.ID + "/" + store.CleanPath(m.Path), Time: m.Modified, Text: text}, nil
}
