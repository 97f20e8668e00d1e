package store

import (
	"slices"

	"github.com/kistarchive/kist/store/volume"
)

// Doubt is why a capture may be less good than another one to go back to.
type Doubt string

// Doubts, in the order in which they are given.
const (
	// Live is that of a capture with the label LabelLive.
	Live Doubt = "live"
	// Unfinished is that of a stream which was cut short or damaged, and accepted so.
	Unfinished Doubt = "unfinished"
	// Changed is that of a folder in which something changed while it was read.
	Changed Doubt = "changed"
)

// LabelLive is the label, whatever its value, by which who captures says that the service
// ran and wrote meanwhile.
const LabelLive = "live"

func doubtsOf(c *Capture) (doubts []Doubt) {
	if _, live := c.Labels[LabelLive]; live {
		doubts = append(doubts, Live)
	}
	if slices.ContainsFunc(c.Volumes, func(v Volume) bool { return v.Unfinished != "" }) {
		doubts = append(doubts, Unfinished)
	}
	if slices.ContainsFunc(c.Volumes, func(v Volume) bool { return slices.ContainsFunc(v.Warnings, volume.TellsOfChange) }) {
		doubts = append(doubts, Changed)
	}
	return doubts
}
