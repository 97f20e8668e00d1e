package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/members"
	"github.com/kistarchive/kist/cmd/kist/internal/pattern"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

func (a *app) findCommand() *cli.Command {
	return &cli.Command{
		Name:      "find",
		Usage:     "tell in which captures members are, and when they changed",
		ArgsUsage: "PATTERN…",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "name", Usage: "only captures of `NAME`"},
			&cli.StringFlag{Name: "volume", Usage: "only the volume `NAME`"},
		},
		Description: `
Below each member is a line for each of its versions by content, the oldest first: its
size, when it was modified, the newest capture that has it, in how many captures it
is, and since when. What is the same in several captures is one version, though its mode
or its times differ. A hard link has the content of the file that it is linked to.
--json has the ids of all captures.

No contents are read. What damage hides is named, the rest is found, and the exit
status is 3.

` + patternHelp + `

Example:
  kist find seedbank.toml
  kist find '*.db' --name seedbank --host hazel
  kist restore 20260214t0203z-k7f3 --into /tmp/look --only seedbank.toml` + timeHelp + rawNameHelp,
		Action: a.findMembers,
	}
}

func (a *app) findMembers(c *cli.Context) error {
	if err := cmdline.WantArgs(c, 1, -1); err != nil {
		return err
	}
	wanted, err := pattern.New(c.Args().Slice())
	if err != nil {
		return err
	}
	r, err := a.open(c.Context)
	if err != nil {
		return err
	}
	defer r.Close()
	found, damaged, err := a.findIn(c.Context, r, c.String("name"), wanted, store.FindOptions{Volume: c.String("volume")})
	if errors.Is(err, store.ErrMoved) {
		a.Say("Reclaiming moved or removed captures meanwhile: looking again.")
		found, damaged, err = a.findIn(c.Context, r, c.String("name"), wanted, store.FindOptions{Volume: c.String("volume")})
	}
	if err != nil {
		return err
	}
	for _, u := range found.Unread {
		a.Warn("%s", screen.Text(u.Err.Error()))
	}
	if err := a.printFound(found); err != nil {
		return err
	}
	if damaged || len(found.Unread) > 0 || slices.ContainsFunc(found.Members, isHarmed) {
		return &statusError{statusDamage, fmt.Errorf("damage was met: there may be more members and versions than were found (kist verify --full shows all that is harmed)")}
	}
	return wanted.Unused()
}

// findIn finds members in the captures of a name, or of all; damaged tells of captures that
// can't be read at all.
func (a *app) findIn(ctx context.Context, r *repository, name string, wanted *pattern.Set, o store.FindOptions) (found *store.Findings, damaged bool, err error) {
	l, err := a.listing(ctx, r)
	if err != nil {
		return nil, false, err
	}
	captures := slices.DeleteFunc(slices.Clone(l.Captures), func(c *store.Capture) bool {
		return name != "" && c.Name != name || !a.ofHost(c)
	})
	if len(captures) == 0 && l.Damage == nil {
		return nil, false, a.noCaptures(l, name)
	}
	volumes := allVolumes(captures...)
	if o.Volume != "" && l.Damage == nil && !slices.ContainsFunc(volumes, func(v *store.Volume) bool { return v.Name == o.Volume }) {
		return nil, false, fmt.Errorf("a volume %s in these captures: %w%s", screen.Line(o.Volume), store.ErrNotFound, screen.Line(cmdline.Meant(o.Volume, volumeNames(volumes))))
	}
	found, err = r.FindMembers(ctx, captures, wanted.Note, o)
	if err == nil && l.Damage == nil {
		considered(ctx, r, wanted, slices.DeleteFunc(allVolumes(newestOfEach(captures)...), func(v *store.Volume) bool {
			return o.Volume != "" && v.Name != o.Volume
		})) // its error is asked for again
	}
	return found, l.Damage != nil, err
}

func volumeNames(volumes []*store.Volume) (names []string) {
	for _, v := range volumes {
		names = append(names, v.Name)
	}
	return names
}

// noCaptures says that there are none, or none of what was asked for, and asks what was meant.
func (a *app) noCaptures(l *store.Listing, name string) error {
	if len(l.Captures) == 0 {
		return fmt.Errorf("a capture: %w: the repository has none yet", store.ErrNotFound)
	}
	var names []string
	for _, c := range l.Captures {
		names = append(names, c.Name)
	}
	what, meant := "a capture", meantHost(l, a.host)
	if name != "" {
		what += " of " + screen.Line(name)
		if !slices.Contains(names, name) {
			meant = cmp.Or(screen.Line(cmdline.Meant(name, names)), meant)
		}
	}
	if a.host != "" {
		what += " on host " + screen.Line(a.host)
	}
	return fmt.Errorf("%s: %w (kist list shows what there is)%s", what, store.ErrNotFound, meant)
}

// newestOfEach gives the newest capture of each name of each host.
func newestOfEach(captures []*store.Capture) (newest []*store.Capture) {
	seen := make(map[[2]string]bool)
	for _, c := range slices.Backward(captures) {
		if of := [2]string{c.Name, c.Host}; !seen[of] {
			seen[of] = true
			newest = append(newest, c)
		}
	}
	return newest
}

func isHarmed(m store.FoundMember) bool {
	return slices.ContainsFunc(m.Versions, func(v store.MemberVersion) bool { return v.Harmed != nil })
}

// foundJSON is a member that was found, as scripts get it.
type foundJSON struct {
	Name      string             `json:"name"`
	Host      string             `json:"host"`
	Volume    string             `json:"volume"`
	Path      string             `json:"path"`
	PathBytes []byte             `json:"path_bytes,omitempty"`
	Versions  []foundVersionJSON `json:"versions"`
}

type foundVersionJSON struct {
	Member   *members.JSON `json:"member"` // as the newest capture has it
	Size     int64         `json:"size"`   // of the content, also of a hard link
	Captures []string      `json:"captures"`
	Newest   string        `json:"newest"` // the newest that is not retired, if there is one
	Harmed   string        `json:"harmed,omitempty"`
}

func newFoundJSON(m store.FoundMember) foundJSON {
	j := foundJSON{Name: m.Name, Host: m.Host, Volume: m.Volume, Path: m.Path, PathBytes: members.RawName(m.Path)}
	for _, v := range m.Versions {
		version := foundVersionJSON{Member: members.NewJSON(v.Member), Size: v.Size, Newest: v.Newest().ID}
		for _, c := range v.Captures {
			version.Captures = append(version.Captures, c.ID)
		}
		if v.Harmed != nil {
			version.Harmed = v.Harmed.Error()
		}
		j.Versions = append(j.Versions, version)
	}
	return j
}

func (a *app) printFound(found *store.Findings) error {
	if a.JSON {
		array := screen.NewArray(a.Out)
		for _, m := range found.Members {
			if err := array.Add(newFoundJSON(m)); err != nil {
				return err
			}
		}
		return array.End()
	}
	for i, m := range found.Members {
		if i > 0 {
			a.Printf("\n")
		}
		a.Printf("%s: %s  (volume %s%s)\n", screen.Printable(m.Name), screen.Printable(m.Path), screen.Printable(m.Volume), onHost(m.Host))
		for _, v := range m.Versions {
			a.Printf("%s\n", versionLine(v))
		}
	}
	return nil
}

func onHost(host string) string {
	if host == "" {
		return ""
	}
	return ", host " + screen.Printable(host)
}

// versionLine has 80 columns at most, but for remarks and where a link leads.
func versionLine(v store.MemberVersion) string {
	newest := v.Newest()
	line := fmt.Sprintf("%s  %s  %s  in %d", screen.SizeCell(uint64(v.Size)), screen.LocalTime(v.Member.Modified), newest.ID, len(v.Captures))
	if len(v.Captures) > 1 {
		line += " since " + v.Captures[0].Taken.Local().Format("2006-01-02")
	}
	if newest.Retired != nil {
		line += ", retired"
	}
	if v.Harmed != nil {
		line += ", harmed: " + screen.Line(v.Harmed.Error())
	}
	if v.Member.Link != "" {
		line += " -> " + screen.Printable(v.Member.Link)
	}
	return line
}
