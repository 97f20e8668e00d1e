package main

import (
	"fmt"
	"slices"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/containers"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// errNoLaunch says that a capture is of no container.
func errNoLaunch(c *store.Capture) error {
	return missing(fmt.Errorf("capture %s knows no launch configuration: it was not made with --container", c.ID))
}

// launchOf gives the launch configuration that a capture has of a container: that of its name, where it
// is of several.
func launchOf(c *store.Capture, name string) (*engine.Launch, error) {
	parts := containers.Parts(c.Labels)
	var names []string
	for _, p := range parts {
		if len(parts) == 1 || p.Name == name {
			return parseLaunch(c, p.Launch)
		}
		names = append(names, screen.Line(p.Name))
	}
	if len(parts) > 1 {
		return nil, usagef("capture %s is of the containers %s, and not of %s", c.ID, strings.Join(names, ", "), screen.Line(name))
	}
	return nil, errNoLaunch(c)
}

func parseLaunch(c *store.Capture, text string) (*engine.Launch, error) {
	if text == "" {
		return nil, errNoLaunch(c)
	}
	launch, err := engine.ParseLaunch(text)
	if err != nil {
		return nil, fmt.Errorf("capture %s: %w", c.ID, err)
	}
	return launch, nil
}

// showLaunch prints command lines that can be pasted, for each container of a capture: first those that
// make them, then those that start them, so that their data can be brought back in between.
func (a *app) showLaunch(c *store.Capture, program string, reveal bool) error {
	var create, start [][]string
	for _, p := range containers.Parts(c.Labels) {
		if p.Launch == "" {
			a.Warn("capture %s knows no launch configuration of container %s.", c.ID, screen.Printable(p.Name))
			continue
		}
		launch, err := parseLaunch(c, p.Launch)
		if err != nil {
			return err
		}
		if launch.Digest == "" {
			a.Warn("the image's digest is not known: another image may have its name by now.")
		}
		create = append(create, append([]string{program}, launch.Command()...))
		start = append(start, append([]string{program}, launch.StartCommand()...))
	}
	if create == nil {
		return errNoLaunch(c)
	}
	return a.printCommands(append(create, start...), reveal)
}

// printCommands prints command lines for a shell, or with --json an array of arrays of words.
func (a *app) printCommands(commands [][]string, reveal bool) error {
	masked := false
	for i, words := range commands {
		if shown := engine.MaskWords(words); !reveal && !slices.Equal(shown, words) {
			commands[i], masked = shown, true
		}
	}
	if masked {
		a.warnMasked()
	}
	if a.JSON {
		return a.PrintJSON(commands)
	}
	for _, words := range commands {
		a.Printf("%s\n", shellLine(words))
	}
	return nil
}

// shellLine gives words as a line for a shell.
func shellLine(words []string) string {
	quoted := make([]string, len(words))
	for i, word := range words {
		quoted[i] = screen.ShellQuote(word)
	}
	return strings.Join(quoted, " ")
}
