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

// showLaunch prints a command line that can be pasted, for each container of a capture.
func (a *app) showLaunch(c *store.Capture, program string, reveal bool) error {
	known := false
	for _, p := range containers.Parts(c.Labels) {
		if p.Launch == "" {
			a.Warn("capture %s knows no launch configuration of container %s.", c.ID, screen.Printable(p.Name))
			continue
		}
		known = true
		if err := a.showLaunchOf(c, p.Launch, program, reveal); err != nil {
			return err
		}
	}
	if !known {
		return missing(fmt.Errorf("capture %s knows no launch configuration: it was not made with --container", c.ID))
	}
	return nil
}

func (a *app) showLaunchOf(c *store.Capture, text, program string, reveal bool) error {
	launch, err := engine.ParseLaunch(text)
	if err != nil {
		return fmt.Errorf("capture %s: %w", c.ID, err)
	}
	command := append([]string{program}, launch.Command()...)
	shown := command
	if !reveal {
		shown = engine.MaskWords(command)
	}
	if !slices.Equal(shown, command) {
		a.warnMasked()
	}
	if launch.Digest == "" {
		a.Warn("the image's digest is not known: another image may have its name by now.")
	}
	if a.shared.json {
		return a.PrintJSON(shown)
	}
	quoted := make([]string, len(shown))
	for i, word := range shown {
		quoted[i] = screen.ShellQuote(word)
	}
	a.Printf("%s\n", strings.Join(quoted, " "))
	return nil
}
