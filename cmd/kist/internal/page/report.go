package page

import (
	"bytes"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"html/template"
	"io"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/rotation"
)

// Report is what a page shows.
type Report struct {
	Usage      *store.Usage
	Repository string // where it is, for people
	Name, Host string // of the captures that were chosen; "": of any
	Made       time.Time
	Gaps       []string       // what the figures are without, a sentence or more each
	Zone       *time.Location // of dates and of the calendar; nil means UTC

	Decisions []rotation.Decision // which captures rules keep, and why; nil: there are no rules
	Rules     string              // for people
	RulesForm template.HTML       // asks for rules, beside the calendar; "": nothing does
	Changes   []Changes           // of the last captures
}

// Changes are what a capture has otherwise than the one before it.
type Changes struct {
	store.CapturePair
	store.DifferenceSummary
	Unknown bool // they could not be read
}

var (
	//go:embed page.html
	pageText string
	//go:embed page.css
	pageStyle string
	//go:embed picture.css
	pictureStyle string
)

// Write writes a page that needs nothing else.
func Write(w io.Writer, r *Report) error { return execute(w, "page", r) }

// WritePicture writes the first picture alone, as SVG.
func WritePicture(w io.Writer, r *Report) error { return execute(w, "picture", r) }

// Body writes what is within the page's main element. It needs Style.
func Body(w io.Writer, r *Report) error { return execute(w, "body", r) }

// Style gives the style sheet of the page.
func Style() string { return pictureStyle + pageStyle }

// Policy gives the Content-Security-Policy of a page: its own style, by its hash (W3C, Content Security
// Policy Level 3), and nothing else.
func Policy() string {
	sum := sha256.Sum256([]byte(Style()))
	return "default-src 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'; img-src data:; base-uri 'none'; form-action 'none'"
}

func execute(w io.Writer, name string, r *Report) error {
	t, err := template.New("").Funcs(functions()).Parse(pageText)
	if err != nil {
		return err
	}
	var b bytes.Buffer // so that half a page is never written
	if err := t.ExecuteTemplate(&b, name, newView(r)); err != nil {
		return err
	}
	_, err = b.WriteTo(w)
	return err
}
