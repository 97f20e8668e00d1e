package main

import (
	"fmt"
	"strings"
	"time"

	"github.com/kistarchive/kist/store"
)

// retiredJSON is a capture as scripts get it. One that is retired says until when
// it can be taken back.
type retiredJSON struct {
	*store.Capture
	Until time.Time `json:"restorable_until,omitzero"`
}

func newRetiredJSON(c *store.Capture, grace time.Duration) retiredJSON {
	j := retiredJSON{Capture: withoutSecrets(c)}
	if c.Retired != nil {
		j.Until = c.Retired.At.Add(grace)
	}
	return j
}

func (a *app) printRetired(captures []*store.Capture, grace time.Duration) error {
	if a.shared.json {
		array := &jsonArray{w: a.stdout}
		for _, c := range captures {
			if err := array.add(newRetiredJSON(c, grace)); err != nil {
				return err
			}
		}
		return array.end()
	}
	if len(captures) == 0 {
		a.say("No capture is retired.")
		return nil
	}
	lines := []string{"id\tname\tversion\ttaken\t    size\tretired\trestorable until\tby\twhy"}
	for _, c := range captures {
		lines = append(lines, strings.Join([]string{
			c.ID, printable(c.Name), printable(c.Version), localTime(c.Taken), sizeCell(c.Bytes), localTime(c.Retired.At),
			untilText(c.Retired.At.Add(grace)), printable(c.Retired.Host), printable(c.Retired.Reason),
		}, "\t"))
	}
	return a.table(lines)
}

// untilText tells how long at least something stays.
func untilText(t time.Time) string {
	if time.Until(t) <= 0 {
		return "the next reclaim"
	}
	return localTime(t)
}

// retirementText tells all of a retirement in a line.
func retirementText(c *store.Capture, grace time.Duration) string {
	text := localTime(c.Retired.At)
	if c.Retired.Host != "" {
		text += " on " + printable(c.Retired.Host)
	}
	if c.Retired.Reason != "" {
		text += " (" + printable(c.Retired.Reason) + ")"
	}
	return fmt.Sprintf("%s; kist retire --undo takes it back until %s at least", text, untilText(c.Retired.At.Add(grace)))
}
