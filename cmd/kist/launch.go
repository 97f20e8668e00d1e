package main

import (
	"fmt"
	"slices"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/containers"
	"github.com/kistarchive/kist/store"
)

// launchOf gives the launch configuration that a capture has.
func launchOf(c *store.Capture) (*engine.Launch, error) {
	text, ok := c.Labels[containers.LabelLaunch]
	if !ok {
		return nil, missing(fmt.Errorf("capture %s knows no launch configuration: it was not made with --container", c.ID))
	}
	launch, err := engine.ParseLaunch(text)
	if err != nil {
		return nil, fmt.Errorf("capture %s: %w", c.ID, err)
	}
	return launch, nil
}

// showLaunch prints command lines that can be pasted: one makes the container, the next starts it,
// so that its data can be brought back in between.
func (a *app) showLaunch(c *store.Capture, program string, reveal bool) error {
	launch, err := launchOf(c)
	if err != nil {
		return err
	}
	masked := false
	var commands [][]string
	for _, words := range [][]string{launch.Command(), launch.StartCommand()} {
		command := append([]string{program}, words...)
		shown := command
		if !reveal {
			shown = engine.MaskWords(command)
		}
		masked = masked || !slices.Equal(shown, command)
		commands = append(commands, shown)
	}
	if masked {
		a.warnMasked()
	}
	if launch.Digest == "" {
		a.Warn("the image's digest is not known: another image may have its name by now.")
	}
	if a.shared.json {
		return a.PrintJSON(commands)
	}
	for _, words := range commands {
		a.Printf("%s\n", shellWords(words))
	}
	return nil
}
