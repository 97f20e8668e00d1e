package main

import (
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// choosing gives a command that takes captures the flag --host. It is no part of a selector,
// since hosts may be called as versions are.
func (a *app) choosing(c *cli.Command) *cli.Command {
	c.Flags = append(c.Flags, &cli.StringFlag{Name: "host", Usage: "only captures of the host `NAME`: where several use one name of a service"})
	c.Before = func(c *cli.Context) error {
		a.host = c.String("host")
		switch {
		case c.IsSet("host") && a.host == "":
			return usagef("flag --host: its value is empty")
		case a.host != "" && c.NArg() == 0 && !slices.Contains([]string{"list", "retire", "rehearse", "usage", "status"}, c.Command.Name):
			return usagef("%s: --host goes with captures: name one", c.Command.Name)
		}
		return nil
	}
	return c
}

// hostHint says how to choose among captures of several hosts.
func hostHint(captures []*store.Capture) string {
	for _, c := range captures {
		if c.Host != captures[0].Host && c.Host != "" {
			return "--host " + screen.Printable(c.Host) + " chooses that host's."
		}
	}
	return ""
}

// ofHost tells whether a capture is of the host that was asked for.
func (a *app) ofHost(c *store.Capture) bool { return a.host == "" || c.Host == a.host }

// doubtsText names what is to be known of a capture before it is relied on.
func doubtsText(c *store.Capture) string {
	var words []string
	for _, d := range c.Doubts {
		words = append(words, string(d))
	}
	return strings.Join(words, ", ")
}

func severalHosts(captures []*store.Capture) bool {
	for _, c := range captures {
		if c.Host != captures[0].Host {
			return true
		}
	}
	return false
}
