package main

import (
	"os"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"

	"github.com/kistarchive/kist/store"
)

// progress shows how far something is, on a terminal; else report is nil. end
// takes it off the screen.
func (a *app) progress(what string) (report func(store.Progress), end func()) {
	if a.shared.quiet || !isTerminal(a.stderr) || a.getenv("TERM") == "dumb" {
		return nil, func() {}
	}
	bar := progressbar.NewOptions64(-1,
		progressbar.OptionSetWriter(a.stderr),
		progressbar.OptionSetDescription(what),
		progressbar.OptionShowBytes(true),
		progressbar.OptionShowCount(),
		progressbar.OptionUseIECUnits(true),
		progressbar.OptionThrottle(100*time.Millisecond),
		progressbar.OptionSetWidth(20),
		progressbar.OptionClearOnFinish(),
	)
	report = func(p store.Progress) {
		if p.Total > 0 && bar.GetMax64() != p.Total {
			bar.ChangeMax64(p.Total)
		}
		bar.Set64(p.Bytes) // a bar that can't be drawn is no error
	}
	return report, func() { bar.Clear() }
}

// isTerminal tells whether a stream is a terminal.
func isTerminal(stream any) bool {
	f, ok := stream.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}
