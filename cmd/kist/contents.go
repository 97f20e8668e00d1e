package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"io/fs"
	"strconv"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/pattern"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

func (a *app) contentsCommand() *cli.Command {
	return &cli.Command{
		Name:      "contents",
		Usage:     "list the members of a capture",
		ArgsUsage: "CAPTURE [PATTERN…]",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "volume", Usage: "only the volume `NAME`"},
		},
		Description: patternHelp + `

Example:
  kist contents seedbank@latest
  kist contents 20260314 certificates '*.toml'` + timeHelp + rawNameHelp,
		Action: a.contents,
	}
}

const patternHelp = `A PATTERN is a member's path, or a folder's, which means all below it. In it * fits
any characters but /, ? one of them, [a-f] one of a range. Quote it from the shell.`

func (a *app) contents(c *cli.Context) error {
	if err := cmdline.WantArgs(c, 1, -1); err != nil {
		return err
	}
	wanted, err := pattern.New(c.Args().Tail())
	if err != nil {
		return err
	}
	r, err := a.open(c.Context)
	if err != nil {
		return err
	}
	defer r.Close()
	capture, err := a.find(c.Context, r, c.Args().First())
	if err != nil {
		return err
	}
	volumes, err := chooseVolumes(capture, c.String("volume"))
	if err != nil {
		return err
	}
	if err := a.printContents(c.Context, r, volumes, wanted); err != nil {
		return err
	}
	return wanted.Unused()
}

// chooseVolumes gives the volume of that name, or all of them.
func chooseVolumes(c *store.Capture, name string) ([]*store.Volume, error) {
	if name != "" {
		v, err := c.Volume(name)
		return []*store.Volume{v}, err
	}
	var all []*store.Volume
	for i := range c.Volumes {
		all = append(all, &c.Volumes[i])
	}
	return all, nil
}

const timeHelp = `

With --json a time outside of the years 0 to 9999, which is all that RFC 3339 can
write, is given as the first or the last second of them.`

// memberJSON is a member as scripts get it.
type memberJSON struct {
	Volume string `json:"volume"`
	*rawMemberJSON
	Mode string `json:"mode"` // permissions, in octal
}

func newMemberJSON(volume string, m *store.Member) memberJSON {
	return memberJSON{volume, newRawMemberJSON(m), fmt.Sprintf("%04o", modeBits(m.Mode))}
}

// withJSONTime gives a member whose time can be written as JSON: a tar stream may
// hold any number of seconds.
func withJSONTime(m *store.Member) *store.Member {
	if m == nil {
		return nil
	}
	clone := *m
	clone.Modified = jsonTime(m.Modified)
	return &clone
}

// The times that RFC 3339 can write, which time.Time.MarshalJSON demands.
var (
	firstJSONTime = time.Date(0, 1, 1, 0, 0, 0, 0, time.UTC)
	lastJSONTime  = time.Date(9999, 12, 31, 23, 59, 59, 0, time.UTC)
)

// jsonTime gives the time that RFC 3339 can write which is nearest to t. It compares
// seconds since 1970, since the year of a time that is far off may have overflowed.
func jsonTime(t time.Time) time.Time {
	switch s := t.Unix(); {
	case s < firstJSONTime.Unix():
		return firstJSONTime
	case s > lastJSONTime.Unix():
		return lastJSONTime
	}
	if year := t.Year(); year < 0 || year > 9999 { // only in its time zone
		return t.UTC()
	}
	return t
}

func (a *app) printContents(ctx context.Context, r *repository, volumes []*store.Volume, wanted *pattern.Set) error {
	out := bufio.NewWriter(a.Out)
	defer out.Flush()
	array := screen.NewArray(out)
	for i, v := range volumes {
		if len(volumes) > 1 && !a.shared.json {
			printHeading(out, v, i)
		}
		for m, err := range r.Members(ctx, v) {
			if err != nil {
				return fmt.Errorf("volume %s: %w", screen.Line(v.Name), err)
			}
			if !wanted.Note(m.Path) {
				continue
			}
			if a.shared.json {
				err = array.Add(newMemberJSON(v.Name, m))
			} else {
				_, err = fmt.Fprintln(out, memberLine(m))
			}
			if err != nil {
				return err
			}
		}
	}
	if a.shared.json {
		return array.End()
	}
	return nil
}

func printHeading(w io.Writer, v *store.Volume, number int) {
	if number > 0 {
		fmt.Fprintln(w)
	}
	fmt.Fprintf(w, "volume %s\n", screen.Printable(v.Name))
}

// memberLine describes a member much as ls -l does.
func memberLine(m *store.Member) string {
	line := fmt.Sprintf("%s  %-17s  %12d  %s  %s", modeText(m), owner(m.User, m.UID)+":"+owner(m.Group, m.GID),
		m.Size, screen.LocalTime(m.Modified), screen.Printable(m.Path))
	switch m.Type {
	case tarstream.Symlink:
		line += " -> " + screen.Printable(m.Link)
	case tarstream.Hardlink:
		line += " = " + screen.Printable(m.Link)
	}
	return line
}

func owner(name string, id int) string {
	if name == "" {
		return strconv.Itoa(id)
	}
	return screen.Printable(name)
}

// modeBits gives permissions as POSIX numbers them.
func modeBits(m fs.FileMode) uint32 {
	bits := uint32(m.Perm())
	for i, flag := range []fs.FileMode{fs.ModeSticky, fs.ModeSetgid, fs.ModeSetuid} {
		if m&flag != 0 {
			bits |= 0o1000 << i
		}
	}
	return bits
}

var typeLetters = map[tarstream.Type]byte{
	tarstream.File: '-', tarstream.Folder: 'd', tarstream.Symlink: 'l', tarstream.Hardlink: 'h',
	tarstream.CharDevice: 'c', tarstream.BlockDevice: 'b', tarstream.FIFO: 'p',
}

// modeText gives type and permissions as ls does (POSIX.1-2017, ls, "long
// format"); a hard link is h.
func modeText(m *store.Member) string {
	text := []byte("?" + m.Mode.Perm().String()[1:])
	if letter, ok := typeLetters[m.Type]; ok {
		text[0] = letter
	}
	for _, special := range []struct {
		flag   fs.FileMode
		at     int
		letter byte
	}{{fs.ModeSetuid, 3, 's'}, {fs.ModeSetgid, 6, 's'}, {fs.ModeSticky, 9, 't'}} {
		if m.Mode&special.flag == 0 {
			continue
		}
		if text[special.at] == '-' {
			special.letter -= 'a' - 'A'
		}
		text[special.at] = special.letter
	}
	return string(text)
}
