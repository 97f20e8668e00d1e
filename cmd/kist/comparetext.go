package main

import (
	"context"
	"errors"
	"fmt"
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

// volumePair is a volume as each of two captures has it, or nil.
type volumePair [2]*store.Volume

// volumePairs pairs the volumes of two captures by their names, or as the only ones. Where a
// name is given, only that pair is meant.
func volumePairs(was, is *store.Capture, name string) ([]volumePair, error) {
	if len(was.Volumes) == 1 && len(is.Volumes) == 1 && (name == "" || name == is.Volumes[0].Name || name == was.Volumes[0].Name) {
		return []volumePair{{&was.Volumes[0], &is.Volumes[0]}}, nil
	}
	var names []string
	for _, c := range []*store.Capture{is, was} {
		for i := range c.Volumes {
			if v := c.Volumes[i].Name; !slices.Contains(names, v) && (name == "" || name == v) {
				names = append(names, v)
			}
		}
	}
	if len(names) == 0 {
		return nil, fmt.Errorf("volume %q: %w: neither capture has it", name, store.ErrNotFound)
	}
	var pairs []volumePair
	for _, v := range names {
		pairs = append(pairs, volumePair{volumeOf(was, v), volumeOf(is, v)})
	}
	return pairs, nil
}

func volumeOf(c *store.Capture, name string) *store.Volume {
	for i := range c.Volumes {
		if c.Volumes[i].Name == name {
			return &c.Volumes[i]
		}
	}
	return nil
}

// textPair is a member's text in two captures.
type textPair struct {
	path    string
	was, is *store.Capture
	volume  string
	sides   [2]textdiff.Side
}

// find reads the member in the only pair of volumes that has it.
func (p *textPair) find(ctx context.Context, r *repository, pairs []volumePair) error {
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
		for _, v := range pair {
			if v != nil {
				p.volume = v.Name
			}
		}
		p.sides = sides
		found = append(found, p.volume)
	}
	switch len(found) {
	case 0:
		return fmt.Errorf("%w (kist find tells where there is one)", missing)
	case 1:
		return nil
	}
	return usagef("compare: member %s is in volumes %s: give --volume", screen.Line(p.path), screen.Line(strings.Join(found, ", ")))
}

// read reads both sides of a pair, of which one may be without the member.
func (p *textPair) read(ctx context.Context, r *repository, pair volumePair) (sides [2]textdiff.Side, err error) {
	var missing error
	for i, c := range []*store.Capture{p.was, p.is} {
		if pair[i] == nil {
			continue
		}
		sides[i], err = readSide(ctx, r, c, pair[i], p.path)
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
		return textdiff.Side{}, &advised{
			fmt.Errorf("member %s of capture %s can't be compared as a text: %w", screen.Line(path), c.ID, err),
			"kist restore --only takes it out of each capture, for a program that knows what it is.",
		}
	}
	if err != nil {
		return textdiff.Side{}, fmt.Errorf("capture %s, member %q: %w", c.ID, path, err)
	}
	return textdiff.Side{Path: c.ID + "/" + store.CleanPath(m.Path), Time: m.Modified, Text: text}, nil
}
