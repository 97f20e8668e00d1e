package main

import (
	"bufio"
	"context"
	"fmt"
	"io"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/members"
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
any characters but /, ? one of them, [a-f] one of a range. Quote it from the shell.
One without a slash fits a name in any folder; ./NAME only one at the top.`

func (a *app) contents(c *cli.Context) error {
	if err := cmdline.WantArgs(c, 1, -1); err != nil {
		return err
	}
	wanted, err := pattern.New(c.Args().Tail())
	if err != nil {
		return err
	}
	r, capture, err := a.openOf(c.Context, c.Args().First())
	if err != nil {
		return err
	}
	defer r.Close()
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

// rawNameHelp says what JSON has of names that it can't hold.
const rawNameHelp = `

With --json a name that is not UTF-8 is given once more, as path_bytes or link_bytes:
its bytes in base64.`

// memberJSON is a member as scripts get it.
type memberJSON struct {
	Volume string `json:"volume"`
	*members.JSON
}

func newMemberJSON(volume string, m *store.Member) memberJSON {
	return memberJSON{volume, members.NewJSON(m)}
}

func (a *app) printContents(ctx context.Context, r *repository, volumes []*store.Volume, wanted *pattern.Set) error {
	out := bufio.NewWriter(a.Out)
	defer out.Flush()
	array, columns := screen.NewArray(out), a.Width()
	for i, v := range volumes {
		if len(volumes) > 1 && !a.JSON {
			printHeading(out, v, i)
		}
		for m, err := range r.Members(ctx, v) {
			if err != nil {
				return fmt.Errorf("volume %s: %w", screen.Line(v.Name), err)
			}
			if !wanted.Note(m.Path) {
				continue
			}
			if a.JSON {
				err = array.Add(newMemberJSON(v.Name, m))
			} else {
				_, err = fmt.Fprintln(out, members.LineIn(m, columns))
			}
			if err != nil {
				return err
			}
		}
	}
	if a.JSON {
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
