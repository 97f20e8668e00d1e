package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/members"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/volume"
)

// destination is where volumes are restored to.
type destination struct {
	volumes []*store.Volume
	dir     string
	named   bool // lines name the volume
}

// change is what a restore would do to one entry.
type change struct {
	Change string   `json:"change"` // added, changed or removed
	Volume string   `json:"volume"`
	Path   string   `json:"path"`
	Raw    []byte   `json:"path_bytes,omitempty"` // where the path is not UTF-8
	Why    []string `json:"why,omitempty"`
}

// newChange says what would be done, in words.
func newChange(c store.FolderChange) change {
	out := change{Change: string(c.Kind), Volume: c.Volume, Path: c.Path, Raw: members.RawName(c.Path)}
	for _, aspect := range c.Differs {
		out.Why = append(out.Why, differenceText(aspect, c.Will, c.Is))
	}
	return out
}

// showChanges prints what a restore would change, from member lists and what
// the file system says of the live files, whose contents are not read.
func (s *restoring) showChanges(ctx context.Context, targets []destination, where string) error {
	out := bufio.NewWriter(s.app.Out)
	defer out.Flush()
	array := screen.NewArray(out)
	counts := make(map[store.ChangeKind]int)
	same := 0
	o, end := s.folderOptions()
	end() // nothing is restored
	for _, t := range targets {
		changes, err := s.r.FolderChanges(ctx, t.volumes, t.dir, o)
		if err != nil {
			return err
		}
		same += changes.Same
		for _, c := range changes.Changes {
			counts[c.Kind]++
			below := ""
			if len(t.volumes) > 1 && c.Volume != "" {
				below = c.Volume + "/"
			} else if t.named {
				below = c.Volume + ":"
			}
			if err := s.app.printChange(out, array, newChange(c), below); err != nil {
				return err
			}
		}
	}
	if s.app.JSON {
		if err := array.End(); err != nil {
			return err
		}
	}
	s.app.Say("Into %s: %d would be added, %d changed, %d removed; %d are the same. Nothing was written.", screen.Printable(where),
		counts[store.EntryAdded], counts[store.EntryChanged], counts[store.EntryRemoved], same)
	return nil
}

func (a *app) printChange(out io.Writer, array *screen.Array, c change, below string) error { // what comes before the path
	if a.JSON {
		return array.Add(c)
	}
	line := fmt.Sprintf("%-7s  %s", c.Change, screen.Printable(below+c.Path))
	if len(c.Why) > 0 {
		line += "  (" + strings.Join(c.Why, ", ") + ")"
	}
	_, err := fmt.Fprintln(out, line)
	return err
}

// differenceText says in what a member differs from the live file.
func differenceText(aspect store.Aspect, m *store.Member, is *volume.State) string {
	switch aspect {
	case store.AspectKind:
		return "another kind"
	case store.AspectSize:
		return fmt.Sprintf("size %s, now %s", screen.Size(uint64(m.Size)), screen.Size(uint64(is.Size)))
	case store.AspectModified:
		return "modified " + screen.LocalTime(m.Modified)
	case store.AspectMode:
		return fmt.Sprintf("mode %04o, now %04o", members.ModeBits(m.Mode), is.Perm)
	case store.AspectOwner:
		return fmt.Sprintf("owner %d:%d, now %d:%d", m.UID, m.GID, is.UID, is.GID)
	}
	return string(aspect)
}
