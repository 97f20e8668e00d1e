package screen

import (
	"io"
	"math"
	"os"
	"strings"
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
	began := time.Now()
	bar := newBar(s.Err, what)
	show = func(done, total int64) {
		if total > 0 && bar.GetMax64() != total {
			bar.ChangeMax64(total)
		}
		advance(bar, done, total, figures(what, done, total, time.Since(began)))
	}
	return show, func() { endBar(bar) }
}

// advance draws how far something is. A full bar goes off the screen, and is not described before: that would draw
// the text of all with the share of before.
func advance(bar *progressbar.ProgressBar, done, total int64, text string) {
	if total <= 0 || done < total {
		bar.Describe(text)
	}
	bar.Set64(done) // a bar that can't be drawn is no error
}

func newBar(w io.Writer, what string) *progressbar.ProgressBar {
	return progressbar.NewOptions64(-1,
		progressbar.OptionSetWriter(w),
		progressbar.OptionSetDescription(what),
		progressbar.OptionShowBytes(false), // told in words
		progressbar.OptionSetElapsedTime(false),
		progressbar.OptionSetPredictTime(false),
		progressbar.OptionThrottle(100*time.Millisecond),
		progressbar.OptionSetWidth(5),
		progressbar.OptionClearOnFinish(),
	)
}

// endBar takes a bar off the screen for good. One of an unknown total turns by itself until it is
// finished, and is never finished without a total.
func endBar(bar *progressbar.ProgressBar) {
	bar.ChangeMax64(math.MaxInt64) // more than was shown, or it would never get there
	bar.Finish()
}

// figures says in words how far something is: how much of how much, how fast, and for how long still.
func figures(what string, done, total int64, took time.Duration) string {
	const longest = 14 // of what, so that all of it, with the bar, fits 80 columns
	text := Shorten(what, longest) + ": " + Size(uint64(max(done, 0)))
	if total > 0 {
		text += " of " + Size(uint64(total))
	}
	text += " done"
	if took < time.Second || done <= 0 {
		return text
	}
	rate := float64(done) / took.Seconds()
	text += ", " + Size(uint64(rate)) + "/s"
	if left := float64(total-done) / rate; total > done && left < float64(100*time.Hour/time.Second) {
		text += ", " + leftText(time.Duration(left*float64(time.Second))) + " left"
	}
	return text
}

// leftText is a span of time as roughly as it is known.
func leftText(d time.Duration) string {
	if d >= time.Hour {
		return strings.TrimSuffix(d.Round(time.Minute).String(), "0s")
	}
	return d.Round(time.Second).String()
}

// IsTerminal tells whether a stream is a terminal.
func IsTerminal(stream any) bool {
	f, ok := stream.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}
