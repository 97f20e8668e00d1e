package main

import (
	"runtime"
	"runtime/debug"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/store"
)

func (a *app) versionCommand() *cli.Command {
	return &cli.Command{
		Name:  "version",
		Usage: "tell which release of kist this is",
		Description: `
The format is that of the repositories which it makes and reads (store/FORMAT.md).

Example:
  kist version
  kist version --json`,
		Action: a.version,
	}
}

// versionJSON is what this program is, as scripts get it.
type versionJSON struct {
	Version  string `json:"version"` // of the module, or "unknown"
	Revision string `json:"revision,omitempty"`
	Modified bool   `json:"modified,omitempty"` // built of what is not in that revision
	Format   int    `json:"format"`
	Go       string `json:"go"`
	Platform string `json:"platform"`
}

func (a *app) version(c *cli.Context) error {
	if err := cmdline.WantArgs(c, 0, 0); err != nil {
		return err
	}
	v := newVersion(debug.ReadBuildInfo())
	if a.JSON {
		return a.PrintJSON(v)
	}
	release := v.Version
	if v.Revision != "" {
		release += ", revision " + v.Revision
	}
	if v.Modified {
		release += " with changes"
	}
	a.Printf("kist %s\nformat %d, %s, %s\n", release, v.Format, v.Platform, v.Go)
	return nil
}

// newVersion gives what a build says of itself; known is false where it says nothing.
func newVersion(info *debug.BuildInfo, known bool) versionJSON {
	v := versionJSON{Version: "unknown", Format: store.FormatVersion, Go: runtime.Version(), Platform: runtime.GOOS + "/" + runtime.GOARCH}
	if !known {
		return v
	}
	if info.Main.Version != "" {
		v.Version = info.Main.Version
	}
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			v.Revision = s.Value
		case "vcs.modified":
			v.Modified = s.Value == "true"
		}
	}
	return v
}
