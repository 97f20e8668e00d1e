package page

import (
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// changesView is the fifth picture, of one name and host.
type changesView struct {
	Of      string
	Was, Is *store.Capture
	Rows    []change
	More    int // members that differ, and are not shown
	Members int
	New     int64
	Gone    int64
	Unknown bool
}

type change struct {
	Kind  string // added, changed, gone, or mode or time
	Path  string
	Bytes int64
	Most  int64
}

// mostWithout is how many changes without bytes are shown, where there are no bigger ones.
const mostWithout = 3

func newChangesView(c *Changes, hosts bool) changesView {
	v := changesView{
		Of: screen.Printable(c.Is.Name), Was: c.Was, Is: c.Is, Members: c.Totals.Members(), New: c.Totals.NewBytes, Gone: c.Totals.GoneBytes,
		Unknown: c.Unknown, More: c.Totals.Members() - len(c.Biggest),
	}
	if hosts {
		v.Of += " on " + screen.Printable(c.Is.Host)
	}
	most := int64(1)
	for _, d := range c.Biggest {
		most = max(most, d.Bytes)
	}
	for i, d := range c.Biggest {
		if d.Bytes == 0 && i >= mostWithout {
			v.More += len(c.Biggest) - i
			break
		}
		path := screen.Printable(d.Path)
		if len(c.Is.Volumes) > 1 || len(c.Was.Volumes) > 1 {
			path = screen.Printable(d.Volume) + ": " + path
		}
		v.Rows = append(v.Rows, change{kindOf(d), path, d.Bytes, most})
	}
	return v
}

func kindOf(d store.Difference) string {
	switch {
	case d.Was == nil:
		return "added"
	case d.Is == nil:
		return "gone"
	case d.Contents:
		return "changed"
	}
	return "mode or time"
}
