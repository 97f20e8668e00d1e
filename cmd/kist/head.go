package main

import (
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
)

func (a *app) showHead(c *cli.Context) error {
	if err := cmdline.WantArgs(c, 0, 0); err != nil {
		return err
	}
	if c.Bool("launch") || c.Bool("reveal") {
		return usagef("show: --head is about all captures: it goes with neither --launch nor --reveal")
	}
	r, err := a.open(c.Context)
	if err != nil {
		return err
	}
	defer r.Close()
	tokens, err := r.Head(c.Context)
	if err != nil {
		return err
	}
	return a.printHead(tokens)
}

// printHead prints what is to be noted elsewhere, so that kist verify --head can prove
// later that nothing was taken away.
func (a *app) printHead(tokens []string) error {
	if a.JSON {
		return a.PrintJSON(struct {
			Head []string `json:"head"`
		}{tokens})
	}
	if len(tokens) == 0 {
		a.Say("No captures. kist capture makes one.")
		return nil
	}
	a.Printf("%s\n", strings.Join(tokens, "\n"))
	return nil
}
