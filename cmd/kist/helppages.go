package main

import (
	"errors"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/completion"
	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/manual"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// helpPages prints or writes manual pages, or the script of a shell, if a command line asks for that.
func (a *app) helpPages(c *cli.Context) (done bool, err error) {
	page, into, shell := c.Bool("man"), c.String("man-into"), c.String("completion")
	switch {
	case !page && into == "" && shell == "":
		return false, nil
	case page && (into != "" || shell != "") || into != "" && shell != "":
		return true, usagef("help: --man, --man-into and --completion go one at a time")
	case shell != "":
		return true, a.printScript(c, shell)
	case into != "":
		if err := cmdline.WantArgs(c, 0, 0); err != nil {
			return true, err
		}
		if err := outsideAll(into); err != nil {
			return true, err
		}
		return true, a.writePages(into)
	}
	p, err := a.pageOf(c.Args().Slice())
	if err == nil {
		a.Printf("%s", p)
	}
	return true, err
}

func (a *app) printScript(c *cli.Context, shell string) error {
	if err := cmdline.WantArgs(c, 0, 0); err != nil {
		return err
	}
	script := completion.Script(shell)
	if script == "" {
		return usagef("help --completion %s: there is a script for %s%s", screen.Line(shell), strings.Join(completion.Shells(), ", "), cmdline.Meant(shell, completion.Shells()))
	}
	a.Printf("%s", script)
	return nil
}

// writePages writes the pages of all commands into a folder, in the place of those of other releases.
func (a *app) writePages(dir string) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	pages := []*manual.Page{a.overviewPage()}
	for _, c := range a.commands() {
		if c.Hidden {
			continue
		}
		pages = append(pages, a.commandPage(c, c.Name))
		for _, sub := range c.Subcommands {
			pages = append(pages, a.commandPage(sub, c.Name+" "+sub.Name))
		}
	}
	for _, p := range pages {
		if err := writePage(filepath.Join(dir, p.FileName()), p.String()); err != nil {
			return err
		}
	}
	a.Say("Wrote %s into %s.", screen.Count(len(pages), "page", "pages"), screen.Text(dir))
	return nil
}

func writePage(path, text string) error {
	part := files.PartName(path)
	err := os.WriteFile(part, []byte(text), 0o644)
	if err == nil {
		err = files.Place(part, path, true)
	}
	if err != nil {
		return errors.Join(err, os.Remove(part))
	}
	return nil
}

// pageOf gives the page of the command that words name, or of the program.
func (a *app) pageOf(words []string) (*manual.Page, error) {
	if len(words) == 0 {
		return a.overviewPage(), nil
	}
	c, err := a.commandNamed(words)
	if err != nil {
		return nil, err
	}
	return a.commandPage(c, strings.Join(words, " ")), nil
}

func (a *app) overviewPage() *manual.Page {
	p := newPage("kist")
	p.Summary = "dated captures of a service's data volumes"
	p.Synopsis = "COMMAND [FLAGS] ..."
	p.Text = "kist keeps dated captures of a service's data volumes in a repository: deduplicated, compressed, encrypted, each restorable alone.\n\n" +
		captureWords + "\n\n" + statusWords
	p.Lists = []manual.List{commandList(a.commands(), "kist "), {Title: "Flags of every command", Items: flagItems(sharedFlags())}}
	for _, c := range a.commands() {
		if !c.Hidden {
			p.See = append(p.See, "kist-"+c.Name)
		}
	}
	return p
}

func (a *app) commandPage(c *cli.Command, words string) *manual.Page {
	p := newPage("kist " + words)
	p.Summary, p.Synopsis, p.Text = c.Usage, strings.TrimSpace(usageArgs(c)), c.Description
	p.Lists = []manual.List{{Title: "Flags", Items: flagItems(c.Flags)}, commandList(c.Subcommands, "kist "+words+" ")}
	p.See = []string{"kist"}
	for _, sub := range c.Subcommands {
		p.See = append(p.See, strings.ReplaceAll("kist "+words+" "+sub.Name, " ", "-"))
	}
	return p
}

func newPage(command string) *manual.Page {
	info, known := debug.ReadBuildInfo()
	p := &manual.Page{Name: strings.ReplaceAll(command, " ", "-"), Command: command, Release: "kist " + newVersion(info, known).Version}
	if known {
		for _, s := range info.Settings {
			if at, err := time.Parse(time.RFC3339, s.Value); s.Key == "vcs.time" && err == nil {
				p.Date = at.UTC().Format(time.DateOnly)
			}
		}
	}
	if path, err := os.Executable(); p.Date == "" && err == nil { // the day of the build
		if info, err := os.Stat(path); err == nil {
			p.Date = info.ModTime().UTC().Format(time.DateOnly)
		}
	}
	return p
}

func commandList(commands []*cli.Command, before string) manual.List {
	list := manual.List{Title: "Commands"}
	for _, c := range commands {
		if !c.Hidden {
			list.Items = append(list.Items, manual.Item{Name: before + c.Name, Text: c.Usage})
		}
	}
	return list
}

func flagItems(flags []cli.Flag) (items []manual.Item) {
	for _, f := range flags {
		name, value, usage := completion.Describe(f)
		items = append(items, manual.Item{Name: "--" + name, Value: value, Text: usage})
	}
	return items
}
