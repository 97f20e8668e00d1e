package main

import (
	"github.com/kistarchive/kist/cmd/kist/internal/members"
	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/store"
)

// restored is what a restore did, as scripts get it.
type restored struct {
	Capture    string   `json:"capture"`
	Whole      bool     `json:"whole"` // all that was asked for is back
	Places     []place  `json:"places"`
	Lost       []lost   `json:"lost"`
	Incomplete []partly `json:"incomplete"` // of what more members there were nothing is known
	Unproved   []partly `json:"unproved"`   // nothing shows that it is what was captured
	Dropped    []partly `json:"dropped"`    // was given up by a repair, and is not in the capture any more
}

// place is where data came to.
type place struct {
	Volumes     []string      `json:"volumes"`
	Path        string        `json:"path"`
	Members     int           `json:"members,omitempty"`
	Bytes       int64         `json:"bytes,omitempty"`
	Previous    string        `json:"previous,omitempty"` // where what was there is kept
	Kept        []string      `json:"kept,omitempty"`     // likewise, of single members: paths within Path
	Beside      bool          `json:"beside,omitempty"`   // what lives was left alone
	Copied      bool          `json:"copied,omitempty"`   // by the container engine, into the container
	NotRestored []notRestored `json:"not_restored,omitempty"`
}

type notRestored struct {
	Path    string `json:"path"`
	Raw     []byte `json:"path_bytes,omitempty"`
	Reason  string `json:"reason"`
	Members int    `json:"members"`
}

// lost is a member that is not whole.
type lost struct {
	Volume string `json:"volume"`
	Path   string `json:"path"`
	Raw    []byte `json:"path_bytes,omitempty"`
	Reason string `json:"reason"`
}

// partly says something of a volume as a whole.
type partly struct {
	Volume string `json:"volume"`
	Reason string `json:"reason"`
}

func newLost(v *store.Volume, m store.LostMember) lost {
	return lost{v.Name, m.Path, members.RawName(m.Path), reasonOf(m.Err)}
}

// add takes in what was done with a folder.
func (r *restored) add(volumes []*store.Volume, dir string, done *store.FolderRestored) {
	p := place{
		Path: paths.Absolute(dir), Members: done.Members, Bytes: done.Bytes,
		Previous: done.Previous, Kept: done.Kept, Beside: done.Beside != "",
	}
	if p.Beside {
		p.Path = done.Beside
	}
	for _, v := range volumes {
		p.Volumes = append(p.Volumes, v.Name)
	}
	for _, n := range done.NotRestored {
		p.NotRestored = append(p.NotRestored, notRestored{n.Path, members.RawName(n.Path), n.Reason, n.Members})
	}
	r.Places = append(r.Places, p)
}

// report prints what a restore did, with --json, unless it did nothing for another reason than losses.
func (s *restoring) report(err error) error {
	if !s.app.JSON || s.dry || err != nil && !isLossReport(err) {
		return err
	}
	r := s.result
	r.Whole = err == nil
	r.Places, r.Lost, r.Incomplete, r.Unproved = orNone(r.Places), orNone(r.Lost), orNone(r.Incomplete), orNone(r.Unproved)
	r.Dropped = orNone(r.Dropped)
	if failed := s.app.PrintJSON(r); failed != nil {
		return failed
	}
	return err
}

// orNone gives an empty list, rather than null, for nothing.
func orNone[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}
