package main

import (
	"cmp"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// listWriters lists who is at work in the repository.
func (a *app) listWriters(c *cli.Context, r *repository) error {
	writers, err := r.Writers(c.Context)
	if err != nil {
		return err
	}
	if a.JSON {
		array := screen.NewArray(a.Out)
		for _, w := range writers {
			if err := array.Add(w); err != nil {
				return err
			}
		}
		return array.End()
	}
	if len(writers) == 0 {
		a.Say("Nobody is at work in the repository.")
		return nil
	}
	if writers[0].Guessed {
		a.Say("The repository can't be asked for its time, as where it is mounted read-only: who is alive is told by the clock of this machine.")
	}
	lines := []string{"host\twork\tabout\tsince\tlast sign\talive"}
	for _, w := range writers {
		lines = append(lines, writerLine(w))
	}
	return a.FitTable(lines, "host", "about", "work")
}

func writerLine(w store.Writer) string {
	alive := "silent"
	if w.Alive {
		alive = "yes"
	}
	return strings.Join([]string{
		screen.Printable(w.Host), screen.Printable(w.Work), screen.Printable(w.About), beganText(w), screen.LocalTime(w.Seen), alive,
	}, "\t")
}

// writerText names a writer in a sentence.
func writerText(w store.Writer) string {
	text := cmp.Or(screen.Printable(w.Work), "somebody")
	if w.About != "" {
		text += " of " + screen.Printable(w.About)
	}
	if w.Host != "" {
		text += " on " + screen.Printable(w.Host)
	}
	if w.Began.IsZero() {
		return text
	}
	return text + ", since " + screen.LocalTime(w.Began)
}

// lapseText says how long a writer counts that is not at work any more.
func lapseText(w store.Writer) string {
	until := w.Lapses().Add(time.Minute) // no minute too early
	return "if it ended without a word, as one that was killed or whose key may not remove, it counts until " + screen.LocalTime(until)
}

// beganText says when a writer began. Without the first mark of its lease, which somebody may have put there, nothing tells.
func beganText(w store.Writer) string {
	if w.Began.IsZero() {
		return "unknown"
	}
	return screen.LocalTime(w.Began)
}
