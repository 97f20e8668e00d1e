package serve

import (
	"cmp"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/cmd/kist/internal/textdiff"
	"github.com/kistarchive/kist/store"
)

const (
	foundAtOnce    = 100 // members that a page lists
	versionsAtOnce = 50  // versions of each
)

// findView is what was found in all captures.
type findView struct {
	Names    []string
	Name     string // only in captures of that name
	Pattern  string
	Changed  bool // what came last first, not by path
	Asked    bool
	Members  []foundView
	All      int
	First    int
	Next     string
	Unread   []string
	Wrong    string
	Searched int // captures
}

type foundView struct {
	store.FoundMember
	Versions []versionView // the newest first
	More     int
}

type versionView struct {
	store.MemberVersion
	Newest *store.Capture
	Oldest *store.Capture
	Link   string
	Text   string // link to how its text differs from the version before; "": it has none
}

func (s *Server) find(w *answer, r *http.Request) error {
	q := r.URL.Query()
	v := &findView{Name: nameOf(q), Pattern: q.Get("q"), Changed: q.Get("order") == "changed", Asked: q.Get("q") != ""}
	l, err := s.library.list(r.Context())
	if err != nil {
		return err
	}
	var captures []*store.Capture
	for _, c := range l.Captures {
		if !slices.Contains(v.Names, c.Name) {
			v.Names = append(v.Names, c.Name)
		}
		if v.Name == "" || c.Name == v.Name {
			captures = append(captures, c)
		}
	}
	slices.Sort(v.Names)
	v.Unread = l.warnings()
	wanted, err := patternOf(v.Pattern)
	status := http.StatusOK
	switch {
	case err != nil:
		v.Wrong, status = err.Error(), http.StatusBadRequest
	case v.Asked:
		v.Searched = len(captures)
		found, err := s.o.Repository.FindMembers(r.Context(), captures, wanted.Match, store.FindOptions{})
		if err != nil {
			return err
		}
		v.take(found, q.Get("from"))
		if v.All > v.First-1+len(v.Members) {
			q.Set("from", strconv.Itoa(v.First-1+len(v.Members)))
			v.Next = "/find?" + q.Encode()
		}
	}
	return s.show(w, status, "find", &frame{Title: "Find", At: "find", Body: v})
}

// take takes the part of what was found that is shown.
func (v *findView) take(found *store.Findings, from string) {
	v.All = len(found.Members)
	slices.SortStableFunc(found.Members, func(a, b store.FoundMember) int {
		return cmp.Or(cmp.Compare(a.Volume, b.Volume), cmp.Compare(store.CleanPath(a.Path), store.CleanPath(b.Path)), cmp.Compare(a.Name, b.Name), cmp.Compare(a.Host, b.Host))
	})
	if v.Changed {
		slices.SortStableFunc(found.Members, func(a, b store.FoundMember) int { return byAge(cameLast(&a), cameLast(&b)) })
	}
	first := number(from, v.All)
	v.First = first + 1
	for _, m := range found.Members[first:min(first+foundAtOnce, v.All)] {
		v.Members = append(v.Members, newFoundView(m))
	}
	for _, u := range found.Unread {
		v.Unread = append(v.Unread, u.Err.Error())
	}
}

// versionsLink leads to all versions of one member, in captures of a name.
func versionsLink(name, path string) string {
	literal := strings.NewReplacer(`\`, `\\`, "*", `\*`, "?", `\?`, "[", `\[`).Replace(path)
	return "/find?" + url.Values{"q": {"./" + literal}, "name": {url.QueryEscape(name)}}.Encode()
}

// cameLast gives the first capture of the version of a member that came last.
func cameLast(m *store.FoundMember) *store.Capture { return m.Versions[len(m.Versions)-1].Captures[0] }

func newFoundView(m store.FoundMember) foundView {
	f := foundView{FoundMember: m}
	for i, version := range slices.Backward(m.Versions) {
		if len(f.Versions) == versionsAtOnce {
			f.More++
			continue
		}
		newest := version.Newest()
		at := ref{newest.ID, m.Volume, store.CleanPath(version.Member.Path)}
		v := versionView{MemberVersion: version, Newest: newest, Oldest: version.Captures[0], Link: at.Member()}
		if version.Member.Type == tarstream.Folder {
			v.Link = at.Folder()
		}
		if i > 0 {
			v.Text = textOf(&m.Versions[i-1], &version, at)
		}
		f.Versions = append(f.Versions, v)
	}
	return f
}

// textOf leads to how the text of a version differs from that of the one before, if it can.
func textOf(was, is *store.MemberVersion, at ref) string {
	if !textsDiffer(store.Difference{Was: was.Member, Is: is.Member, Contents: true}) || max(was.Size, is.Size) > textdiff.MaxSize {
		return ""
	}
	return textLink(was.Newest(), is.Newest(), at.Volume, at.Path)
}
