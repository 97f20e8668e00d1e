package main

import (
	"fmt"
	"os"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// printMarked says of each capture whether it was marked, or was so already. mark
// brings the capture up to date, and tells which.
func (a *app) printMarked(captures []*store.Capture, done, already string, mark func(*store.Capture) bool) error {
	array := screen.NewArray(a.Out)
	for _, c := range captures {
		word := already
		if mark(c) {
			word = done
		}
		if !a.JSON {
			a.Printf("%s %s\n", word, captureText(c))
			continue
		}
		if err := array.Add(newShownJSON(c, nil, false)); err != nil {
			return err
		}
	}
	if a.JSON {
		return array.End()
	}
	return nil
}

// captureText names a capture for people.
func captureText(c *store.Capture) string {
	return fmt.Sprintf("%s (%s%s, taken %s).", c.ID, screen.Printable(c.Name), withVersion(c), screen.LocalTime(c.Taken))
}

func idsOf(captures []*store.Capture) []string {
	ids := make([]string, len(captures))
	for i, c := range captures {
		ids[i] = c.ID
	}
	return ids
}

func markOptions(note string) store.MarkOptions {
	return store.MarkOptions{Host: hostName(), Reason: note}
}

// hostName names this machine. It is a label, and may be missing.
func hostName() string {
	host, _ := os.Hostname()
	return strings.ToValidUTF8(host, "_")
}
