package main

import (
	"cmp"
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/store"
)

// listWriters lists who is at work in the repository.
func (a *app) listWriters(c *cli.Context, r *repository) error {
	writers, err := r.Writers(c.Context)
	if err != nil {
		return err
	}
	if a.shared.json {
		array := &jsonArray{w: a.stdout}
		for _, w := range writers {
			if err := array.add(w); err != nil {
				return err
			}
		}
		return array.end()
	}
	if len(writers) == 0 {
		a.say("Nobody is at work in the repository.")
		return nil
	}
	if writers[0].Guessed {
		a.say("The repository can't be asked for its time, as where it is mounted read-only: who is alive is told by the clock of this machine.")
	}
	lines := []string{"host\twork\tabout\tsince\tlast sign\talive"}
	for _, w := range writers {
		lines = append(lines, writerLine(w))
	}
	return a.table(lines)
}

func writerLine(w store.Writer) string {
	alive := "silent"
	if w.Alive {
		alive = "yes"
	}
	return strings.Join([]string{
		printable(w.Host), printable(w.Work), printable(w.About), localTime(w.Began), localTime(w.Seen), alive,
	}, "\t")
}

// writerText names a writer in a sentence.
func writerText(w store.Writer) string {
	text := cmp.Or(printable(w.Work), "somebody")
	if w.About != "" {
		text += " of " + printable(w.About)
	}
	if w.Host != "" {
		text += " on " + printable(w.Host)
	}
	return text + ", since " + localTime(w.Began)
}
