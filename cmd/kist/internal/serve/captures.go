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
	slices.SortFunc(v.Captures, byAge)
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
	Before  []service // whose captures there are to compare with: of the same name, and of before
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
	if v.Before, err = s.before(r, c); err != nil {
		return err
	}
	return s.show(w, http.StatusOK, "capture", &frame{Title: "Capture " + c.ID, At: "captures", Path: []crumb{{c.ID, ""}}, Body: v})
}

// before gives the captures of the same name that are older, those of the same host first.
func (s *Server) before(r *http.Request, c *store.Capture) ([]service, error) {
	l, err := s.library.list(r.Context())
	if err != nil {
		return nil, err
	}
	all := servicesOf(slices.DeleteFunc(slices.Clone(l.Captures), func(o *store.Capture) bool {
		return o.Name != c.Name || o.Retired != nil || byAge(o, c) <= 0
	}))
	own := slices.IndexFunc(all, func(of service) bool { return of.Host == c.Host })
	if own > 0 {
		all[0], all[own] = all[own], all[0]
	}
	return all, nil
}
