package serve

import (
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// capturesAtOnce is how many captures a page lists.
const capturesAtOnce = 200

// capturesView is the list of captures, newest first.
type capturesView struct {
	Captures []*store.Capture
	Names    []string // that captures have
	Name     string   // that was chosen
	Retired  bool     // retired ones, too
	All      int
	Next     string
	Damage   []string
}

func (s *Server) captures(w *answer, r *http.Request) error {
	l, err := s.library.list(r.Context())
	if err != nil {
		return err
	}
	q := r.URL.Query()
	v := &capturesView{Name: nameOf(q), Retired: q.Get("retired") != "", Damage: l.warnings()}
	for _, c := range l.Captures {
		if !slices.Contains(v.Names, c.Name) {
			v.Names = append(v.Names, c.Name)
		}
		if (v.Name == "" || c.Name == v.Name) && (v.Retired || c.Retired == nil) {
			v.Captures = append(v.Captures, c)
		}
	}
	slices.Sort(v.Names)
	slices.SortStableFunc(v.Captures, func(a, b *store.Capture) int { return b.Taken.Compare(a.Taken) })
	v.All = len(v.Captures)
	from := number(q.Get("from"), v.All)
	v.Captures = v.Captures[from:]
	if len(v.Captures) > capturesAtOnce {
		v.Captures = v.Captures[:capturesAtOnce]
		q.Set("from", strconv.Itoa(from+capturesAtOnce))
		v.Next = "/?" + q.Encode()
	}
	return s.show(w, http.StatusOK, "captures", &frame{Title: "Captures", At: "captures", Body: v})
}

// mostNamed is how many captures that are missed are named.
const mostNamed = 20

// warnings says what is wrong with captures that can't be listed, and which are not there any more.
func (l *listing) warnings() (lines []string) {
	if l.Damage != nil {
		lines = append(lines, l.Damage.Error())
	}
	if n := len(l.missing); n > 0 {
		text := screen.Count(n, "capture that was here is", "captures that were here are") + " missing, or exchanged for others: " + strings.Join(l.missing[:min(n, mostNamed)], ", ")
		if n > mostNamed {
			text += ", …"
		}
		lines = append(lines, text+". kist verify tells more, and kist repair what can be done.")
	}
	return lines
}

// number gives a number of a request, from 0 to most.
func number(text string, most int) int {
	n, err := strconv.Atoi(text)
	if err != nil {
		return 0
	}
	return min(max(n, 0), most)
}

// captureView is one capture.
type captureView struct {
	*store.Capture
	Volumes []volumeView
	Others  []*store.Capture // to compare with, of the same name, newest first
	Before  string           // the one that it is compared with mostly
}

type volumeView struct {
	store.Volume
	Ref ref
}

func (s *Server) capture(w *answer, r *http.Request) error {
	c, err := s.library.capture(r.Context(), r.URL.Query().Get("c"))
	if err != nil {
		return err
	}
	v := &captureView{Capture: c}
	for _, of := range c.Volumes {
		v.Volumes = append(v.Volumes, volumeView{of, ref{c.ID, of.Name, ""}})
	}
	if v.Others, err = s.others(r, c); err != nil {
		return err
	}
	for _, o := range v.Others {
		if o.Host == c.Host && !o.Taken.After(c.Taken) {
			v.Before = o.ID
			break
		}
	}
	return s.show(w, http.StatusOK, "capture", &frame{Title: "Capture " + c.ID, At: "captures", Path: []crumb{{c.ID, ""}}, Body: v})
}

// others gives the other captures of the same name, newest first.
func (s *Server) others(r *http.Request, c *store.Capture) (all []*store.Capture, err error) {
	l, err := s.library.list(r.Context())
	if err != nil {
		return nil, err
	}
	for _, o := range l.Captures {
		if o.Name == c.Name && o.ID != c.ID && o.Retired == nil {
			all = append(all, o)
		}
	}
	slices.SortStableFunc(all, func(a, b *store.Capture) int { return b.Taken.Compare(a.Taken) })
	return all, nil
}
