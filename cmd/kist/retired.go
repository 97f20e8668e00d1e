package main

import (
	"fmt"
	"strings"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// retiredJSON is a capture as scripts get it. One that is retired says until when
// it can be taken back.
type retiredJSON struct {
	shownJSON
	Until time.Time `json:"restorable_until,omitzero"`
}

func newRetiredJSON(c *store.Capture, holds []store.Hold, grace time.Duration, reveal bool) retiredJSON {
	j := retiredJSON{shownJSON: newShownJSON(c, holds, reveal)}
	if c.Retired != nil {
		j.Until = c.Retired.At.Add(grace)
	}
	return j
}

func (a *app) printRetired(captures []*store.Capture, grace time.Duration) error {
	if a.JSON {
		array := screen.NewArray(a.Out)
		for _, c := range captures {
			if err := array.Add(newRetiredJSON(c, nil, grace, false)); err != nil {
				return err
			}
		}
		return array.End()
	}
	if len(captures) == 0 {
		a.Say("No capture is retired.")
		return nil
	}
	lines := []string{"id\tname\tversion\ttaken\t    size\tretired\trestorable until\tby\twhy"}
	for _, c := range captures {
		lines = append(lines, strings.Join([]string{
			c.ID, screen.Printable(c.Name), screen.Printable(c.Version), screen.LocalTime(c.Taken), screen.SizeCell(c.Bytes), screen.LocalTime(c.Retired.At),
			untilText(c.Retired.At.Add(grace)), screen.Printable(c.Retired.Host), screen.Printable(c.Retired.Reason),
		}, "\t"))
	}
	return a.FitTable(lines, "name", "version", "by", "why")
}

// untilText tells how long at least something stays.
func untilText(t time.Time) string {
	if time.Until(t) <= 0 {
		return "the next reclaim"
	}
	return screen.LocalTime(t)
}

// retirementText tells all of a retirement in a line.
func retirementText(c *store.Capture, grace time.Duration) string {
	text := screen.LocalTime(c.Retired.At)
	if c.Retired.Host != "" {
		text += " on " + screen.Printable(c.Retired.Host)
	}
	if c.Retired.Reason != "" {
		text += " (" + screen.Printable(c.Retired.Reason) + ")"
	}
	return fmt.Sprintf("%s; kist retire --undo takes it back until %s at least", text, untilText(c.Retired.At.Add(grace)))
}
