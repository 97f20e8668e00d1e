package serve

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/members"
	"github.com/kistarchive/kist/cmd/kist/internal/pattern"
	"github.com/kistarchive/kist/store"
)

// differencesAtOnce is how many a page lists.
const differencesAtOnce = 500

// compareView is two captures side by side.
type compareView struct {
	Captures []*store.Capture // to choose from, newest first
	WasID    string
	IsID     string
	Only     string // a pattern
	Was, Is  *store.Capture
	Rows     []differenceView
	Totals   store.DifferenceTotals
	First    int // number of the first row, from 1
	Next     string
	Wrong    string
}

// differenceView is a member in both.
type differenceView struct {
	store.Difference
	Kind    string // added, gone or changed
	Was, Is sideView
	Text    string // link to the difference of the texts; "": it has none
}

// sideView is a member in one of both, if it is there.
type sideView struct {
	There bool
	Link  string
	Size  int64
	File  bool
	Mode  string
	Owner string
	Of    *store.Member
}

func (s *Server) compare(w *answer, r *http.Request) error {
	q := r.URL.Query()
	v := &compareView{WasID: q.Get("was"), IsID: q.Get("is"), Only: q.Get("only")}
	l, err := s.library.list(r.Context())
	if err != nil {
		return err
	}
	v.Captures = slices.DeleteFunc(slices.Clone(l.Captures), func(c *store.Capture) bool {
		return c.Retired != nil && c.ID != v.WasID && c.ID != v.IsID
	})
	slices.SortStableFunc(v.Captures, func(a, b *store.Capture) int { return b.Taken.Compare(a.Taken) })
	status := http.StatusOK
	if v.WasID != "" || v.IsID != "" {
		if status, err = s.differences(r, v, q); err != nil {
			return err
		}
	}
	return s.show(w, status, "compare", &frame{Title: "Compare", At: "compare", Body: v})
}

// differences finds in what two captures differ.
func (s *Server) differences(r *http.Request, v *compareView, q url.Values) (status int, err error) {
	if v.Was, err = s.library.capture(r.Context(), v.WasID); err != nil {
		return 0, err
	}
	if v.Is, err = s.library.capture(r.Context(), v.IsID); err != nil {
		return 0, err
	}
	wanted, err := patternOf(v.Only)
	if err != nil {
		v.Wrong = err.Error()
		return http.StatusBadRequest, nil
	}
	from, n := number(q.Get("from"), 1<<30), 0
	for d, err := range s.o.Repository.Compare(r.Context(), v.Was, v.Is, store.CompareOptions{Wanted: wanted.Match}) {
		if err != nil {
			return 0, err
		}
		v.Totals.Add(d)
		if n++; n > from && len(v.Rows) < differencesAtOnce {
			v.Rows = append(v.Rows, newDifferenceView(d, v.Was, v.Is))
		}
	}
	v.First = from + 1
	if n > from+len(v.Rows) {
		q.Set("from", strconv.Itoa(from+len(v.Rows)))
		v.Next = "/compare?" + q.Encode()
	}
	return http.StatusOK, nil
}

// patternOf gives the patterns of a field of a form: one, or none.
func patternOf(text string) (*pattern.Set, error) {
	if text == "" {
		return pattern.New(nil)
	}
	p, err := pattern.New([]string{text})
	if err != nil {
		return nil, cmdline.Usagef("%v", err)
	}
	return p, nil
}

func newDifferenceView(d store.Difference, was, is *store.Capture) differenceView {
	v := differenceView{Difference: d, Kind: "changed"}
	switch {
	case d.Was == nil:
		v.Kind = "added"
	case d.Is == nil:
		v.Kind = "gone"
	}
	inWas, inIs := volumesOf(was, is, d.Volume)
	v.Was, v.Is = newSideView(was, inWas, d.Was), newSideView(is, inIs, d.Is)
	if v.Was.File && v.Is.File && d.Contents || v.Was.File != v.Is.File && (d.Was == nil || d.Is == nil) {
		v.Text = "/text?" + url.Values{"was": {was.ID}, "is": {is.ID}, "v": {d.Volume}, "p": {store.CleanPath(d.Path)}}.Encode()
	}
	return v
}

func newSideView(c *store.Capture, volume string, m *store.Member) sideView {
	if m == nil {
		return sideView{}
	}
	v := sideView{There: true, Of: m, Mode: members.Mode(m), Owner: members.Owner(m), File: m.Type == tarstream.File, Size: m.Size}
	at := ref{c.ID, volume, store.CleanPath(m.Path)}
	v.Link = at.Member()
	if m.Type == tarstream.Folder {
		v.Link = at.Folder()
	}
	return v
}

// volumesOf gives the names that a volume of a comparison, which one of both calls so, has in each of two captures.
func volumesOf(was, is *store.Capture, name string) (inWas, inIs string) {
	for _, p := range store.PairVolumes(was, is) {
		if p.Named(name) && p.Was != nil && p.Is != nil {
			return p.Was.Name, p.Is.Name
		}
	}
	return name, name
}
