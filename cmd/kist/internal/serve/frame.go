package serve

import (
	_ "embed"
	"fmt"
	"html/template"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/page"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

var (
	//go:embed pages.html
	pagesText string
	//go:embed serve.css
	ownStyle string
	//go:embed icon.svg
	icon string
)

// style is the style sheet of all pages: that of the page of costs, and ours.
func style() string { return page.Style() + ownStyle }

// frame is what every page is given.
type frame struct {
	Title      string
	Repository string
	At         string // which entry of the menu it belongs to
	Path       []crumb
	Outside    bool // of somebody who is not let in
	HasCosts   bool
	Onward     string // where a browser goes by itself
	Body       any
}

// crumb is a step of the way to a page.
type crumb struct{ Text, Link string }

// ref names a member of a capture, or a folder. Names stand in the query, since they may hold any byte, and browsers
// change paths.
type ref struct{ Capture, Volume, Path string }

func (r ref) query(page string, more ...string) string {
	q := url.Values{"c": {r.Capture}}
	if r.Volume != "" {
		q.Set("v", r.Volume)
	}
	if r.Path != "" && r.Path != "." {
		q.Set("p", r.Path)
	}
	for i := 0; i+1 < len(more); i += 2 {
		q.Set(more[i], more[i+1])
	}
	return page + "?" + q.Encode()
}

func (r ref) CaptureLink() string       { return ref{Capture: r.Capture}.query("/capture") }
func (r ref) Folder() string            { return r.query("/folder") }
func (r ref) Behind(name string) string { return r.query("/folder", "after", name) }
func (r ref) Member() string            { return r.query("/member") }
func (r ref) As(kind string) string     { return r.query("/member", "as", kind) }
func (r ref) Picture() string           { return r.query("/picture") }
func (r ref) Download() string          { return r.query("/download") }
func (r ref) Tar() string               { return r.query("/tar") }

// Field is the reference for a field of a form, which would change what is no text.
func (r ref) Field() string { return strings.TrimPrefix(r.query(""), "?") }

// nameOf gives the name of captures that a form has chosen, which stands there escaped likewise.
func nameOf(q url.Values) string {
	name, err := url.QueryUnescape(q.Get("name"))
	if err != nil {
		return q.Get("name")
	}
	return name
}

// typed gives text for a field that somebody may have typed it into.
func typed(text string) string {
	if !screen.IsVisible(text) {
		return ""
	}
	return text
}

// From leads to a part of a member that begins at an offset.
func (r ref) From(kind string, offset int64) string {
	return r.query("/member", "as", kind, "from", strconv.FormatInt(offset, 10))
}

// crumbs is the way to a folder or a member.
func (r ref) crumbs() []crumb {
	way := []crumb{{r.Capture, r.CaptureLink()}, {screen.Printable(r.Volume), ref{r.Capture, r.Volume, ""}.Folder()}}
	for i := range len(r.Path) {
		if r.Path[i] == '/' {
			part := ref{r.Capture, r.Volume, r.Path[:i]}
			way = append(way, crumb{screen.Printable(part.name()), part.Folder()})
		}
	}
	if r.Path != "" {
		way = append(way, crumb{screen.Printable(r.name()), ""})
	}
	return way
}

// name is the last part of the path.
func (r ref) name() string {
	for i := len(r.Path) - 1; i >= 0; i-- {
		if r.Path[i] == '/' {
			return r.Path[i+1:]
		}
	}
	return r.Path
}

func (r ref) fsName() string {
	if r.Path == "" {
		return "."
	}
	return r.Path
}

// refOf gives what a request asks for. Paths that no member can have are refused by the file system.
func refOf(q url.Values) ref {
	if form, err := url.ParseQuery(q.Get("r")); err == nil && len(form) > 0 {
		q = form
	}
	r := ref{q.Get("c"), q.Get("v"), q.Get("p")}
	if r.Path == "." {
		r.Path = ""
	}
	return r
}

var pages = template.Must(template.New("").Funcs(template.FuncMap{
	"show": screen.Printable, "line": screen.Text, "size": func(n uint64) string { return screen.Size(n) },
	"bytes": func(n int64) string { return screen.Size(uint64(max(0, n))) },
	"local": localTime, "count": func(n int, one, many string) string { return screen.Count(n, one, many) },
	"number": numberText, "whole": wholeSize, "choice": choice, "choices": func(of []service, chosen string) choices { return choices{of, chosen} },
	"escape": url.QueryEscape, "typed": typed,
	"captureLink": func(c *store.Capture) string { return ref{Capture: c.ID}.CaptureLink() },
}).Parse(pagesText))

// numberText is a number for people, whatever its type.
func numberText(n any) (string, error) {
	switch n := n.(type) {
	case int:
		return screen.Number(n), nil
	case int64:
		return screen.Number(n), nil
	case uint64:
		return screen.Number(n), nil
	}
	return "", fmt.Errorf("%T is no number", n)
}

// wholeSize is a size, and to the byte.
func wholeSize(n int64) string {
	if n < 1<<10 {
		return screen.Count(n, "byte", "bytes")
	}
	return fmt.Sprintf("%s (%s)", screen.Size(uint64(n)), screen.Count(n, "byte", "bytes"))
}

// localTime leaves out a time that is not known.
func localTime(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return screen.LocalTime(t)
}
