package serve

import (
	"net/http"
	"net/url"
	"path"
	"slices"
	"strconv"
	"strings"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/members"
	"github.com/kistarchive/kist/cmd/kist/internal/pattern"
	"github.com/kistarchive/kist/cmd/kist/internal/textdiff"
	"github.com/kistarchive/kist/store"
)

// differencesAtOnce is how many a page lists.
const differencesAtOnce = 500

// compareView is two captures side by side.
type compareView struct {
	Services []service // whose captures there are to choose from
	WasID    string
	IsID     string
	Only     string // a pattern
	Was, Is  *store.Capture
	Rows     []differenceView
	Totals   store.DifferenceTotals
	First    int    // number of the first row, from 1
	All      int    // rows, with those on other pages
	Back     string // link to the page before; "": this is the first
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
	v.Services = servicesOf(slices.DeleteFunc(slices.Clone(l.Captures), func(c *store.Capture) bool {
		return c.Retired != nil && c.ID != v.WasID && c.ID != v.IsID
	}))
	status := http.StatusOK
	if v.WasID != "" || v.IsID != "" {
		if status, err = s.differences(r, v, q); err != nil {
			return err
		}
	} else {
		v.chooseLast()
	}
	return s.show(w, status, "compare", &frame{Title: "Compare", At: "compare", Body: v})
}

// Last is the number of the last row.
func (v *compareView) Last() int { return v.First + len(v.Rows) - 1 }

// chooseLast chooses the last two captures of a service: of that which was captured last, of those that have two.
func (v *compareView) chooseLast() {
	for _, of := range v.Services {
		if len(of.Captures) > 1 {
			v.IsID, v.WasID = of.Captures[0].ID, of.Captures[1].ID
			return
		}
	}
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
	v.First, v.All = from+1, n
	if from > 0 {
		q.Set("from", strconv.Itoa(max(from-differencesAtOnce, 0)))
		v.Back = "/compare?" + q.Encode()
	}
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
	if textsDiffer(d) {
		v.Text = textLink(was, is, d.Volume, store.CleanPath(d.Path))
	}
	return v
}

// textLink leads to how the text of a member differs.
func textLink(was, is *store.Capture, volume, path string) string {
	return "/text?" + url.Values{"was": {was.ID}, "is": {is.ID}, "v": {volume}, "p": {path}}.Encode()
}

// textsDiffer tells whether it makes sense to look how the text of a member differs, as far as that shows without
// reading it.
func textsDiffer(d store.Difference) bool {
	for _, m := range []*store.Member{d.Was, d.Is} {
		if m != nil && (m.Type != tarstream.File || m.Size > textdiff.MaxSize || isPacked(m.Path)) {
			return false
		}
	}
	one := d.Was == nil || d.Is == nil
	return d.Contents && !one || one && max(sizeOf(d.Was), sizeOf(d.Is)) > 0
}

func sizeOf(m *store.Member) int64 {
	if m == nil {
		return 0
	}
	return m.Size
}

// isPacked tells by a member's name that it is no text: pictures, sound, film, what is compressed, programs, databases
// (common practice, no source). What is no text under another name shows when it is read.
func isPacked(name string) bool {
	switch strings.ToLower(path.Ext(name)) {
	case ".png", ".jpg", ".jpeg", ".gif", ".webp", ".ico", ".avif", ".heic", ".tif", ".tiff", ".mp3", ".ogg", ".opus", ".flac", ".wav", ".mp4", ".mkv", ".webm", ".mov",
		".gz", ".xz", ".zst", ".bz2", ".zip", ".7z", ".tar", ".tgz", ".jar", ".exe", ".so", ".pyc", ".class", ".wasm",
		".db", ".sqlite", ".sqlite3", ".db-wal", ".db-shm", ".pdf", ".docx", ".xlsx", ".odt", ".ods", ".woff", ".woff2", ".ttf":
		return true
	}
	return false
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
