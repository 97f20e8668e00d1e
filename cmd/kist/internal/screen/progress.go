package screen

import (
	"os"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"
)

// Progress shows how far something is, on a terminal; else show is nil. show takes
// bytes, and a total of 0 while that is not known. end takes it off the screen.
func (s *Screen) Progress(what string) (show func(done, total int64), end func()) {
	if s.Quiet || s.JSON || !IsTerminal(s.Err) {
		return nil, func() {}
	}
	bar := progressbar.NewOptions64(-1,
		progressbar.OptionSetWriter(s.Err),
		progressbar.OptionSetDescription(what),
		progressbar.OptionShowBytes(true),
		progressbar.OptionShowCount(),
		progressbar.OptionUseIECUnits(true),
		progressbar.OptionThrottle(100*time.Millisecond),
		progressbar.OptionSetWidth(20),
		progressbar.OptionClearOnFinish(),
	)
	show = func(done, total int64) {
		if total > 0 && bar.GetMax64() != total {
			bar.ChangeMax64(total)
		}
		bar.Set64(done) // a bar that can't be drawn is no error
	}
	return show, func() { bar.Clear() }
}

// IsTerminal tells whether a stream is a terminal.
func IsTerminal(stream any) bool {
	f, ok := stream.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}
