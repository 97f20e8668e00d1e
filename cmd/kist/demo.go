package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/demo"
	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

func (a *app) demoCommand() *cli.Command {
	return &cli.Command{
		Name:  "demo",
		Usage: "show the whole job on a sample service, and leave nothing behind",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "keep", Usage: "work in `DIR`, a new or empty folder, and leave everything there"},
		},
		Description: `
A sample service is made in a temporary folder, captured before each of its
upgrades, listed, verified and restored; the restored files are compared with
those that were captured. Then the captures are thinned out. Every command is
shown before what it prints.

Example:
  kist demo
  kist demo --keep /tmp/kist-demo`,
		Action: a.demo,
	}
}

func (a *app) demo(c *cli.Context) error {
	if err := cmdline.WantArgs(c, 0, 0); err != nil {
		return err
	}
	dir, remove, err := demoFolder(c.String("keep"))
	if err != nil {
		return err
	}
	err = demo.Show(c.Context, demo.Options{Screen: a.Screen, Dir: dir, Run: a.runBeside})
	if c.String("keep") == "" {
		err = errors.Join(err, remove())
	}
	if err != nil {
		return err
	}
	if c.String("keep") == "" {
		a.Printf("\nEverything that the demo made has been removed. kist demo --keep DIR leaves it.\n")
	} else {
		a.Printf("\nEverything is still in %s; rm -r takes it away.\n", screen.Printable(dir))
	}
	return nil
}

// demoFolder gives the folder to work in. One that a person named is never removed, and so
// must hold nothing else.
func demoFolder(keep string) (dir string, remove func() error, err error) {
	if keep == "" {
		dir, err = os.MkdirTemp("", "kist-demo-")
		return dir, func() error { return files.RemoveTree(dir) }, err
	}
	if full, err := holdsSomething(keep); err != nil {
		return "", nil, err
	} else if full {
		return "", nil, fmt.Errorf("%s is not empty: name a new or empty folder", keep)
	}
	if err := os.Mkdir(keep, 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return "", nil, err
	}
	dir, err = filepath.Abs(keep)
	return dir, nil, err
}

// runBeside runs a command of the demo, as from a shell with that environment.
func (a *app) runBeside(ctx context.Context, args []string, stdout io.Writer, env map[string]string) int {
	b := newApp(strings.NewReader(""), stdout, a.Err, func(key string) string {
		if key == "TERM" {
			return a.getenv(key)
		}
		return env[key]
	})
	b.Columns = cmp.Or(a.Width(), demo.Columns) // in a pipe, too
	return b.run(ctx, args)
}
