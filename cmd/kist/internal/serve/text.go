package serve

import (
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/textdiff"
	"github.com/kistarchive/kist/store"
)

const (
	rowsAtOnce = 2000      // of a difference, that are shown
	mostRows   = 256 << 10 // bytes of the texts in them, as the page has them, after which no row is added
	mostLine   = 64 << 10  // bytes of a line, that are shown
)

// textView is the difference of a text, side by side.
type textView struct {
	Was, Is       ref
	HasWas, HasIs bool
	WasID, IsID   string
	Path          string
	Hunks         []hunk
	Came, Went    int // lines
	More          int // of those, that are not shown
	Wrong         string

	rows, bytes int // that are shown
}

// hunk is a stretch of lines with changes among them.
type hunk struct {
	Was, Is textdiff.Span
	Rows    []textRow
}

// textRow is a line in both texts, or in one.
type textRow struct {
	WasNumber, IsNumber int // 0: there is none
	Was, Is             string
	WasOpen, IsOpen     bool // without a line feed at its end, which may be all that differs
	Same                bool
}

func (s *Server) text(w *answer, r *http.Request) error {
	q := r.URL.Query()
	was, err := s.library.capture(r.Context(), q.Get("was"))
	if err != nil {
		return err
	}
	is, err := s.library.capture(r.Context(), q.Get("is"))
	if err != nil {
		return err
	}
	path := q.Get("p")
	v := &textView{WasID: was.ID, IsID: is.ID, Path: path}
	inWas, inIs := volumesOf(was, is, q.Get("v"))
	v.Was, v.Is = ref{was.ID, inWas, path}, ref{is.ID, inIs, path}
	if err := s.compareTexts(r, v); err != nil {
		return err
	}
	return s.show(w, http.StatusOK, "text", &frame{Title: "How " + screen.Printable(v.Is.name()) + " differs", At: "compare", Body: v})
}

// compareTexts reads both texts and compares them, or says why it can't.
func (s *Server) compareTexts(r *http.Request, v *textView) error {
	was, wasErr := s.side(r, v.Was)
	is, isErr := s.side(r, v.Is)
	v.HasWas, v.HasIs = was.Path != "", is.Path != ""
	for _, err := range []error{wasErr, isErr} {
		switch {
		case errors.Is(err, textdiff.ErrBinary), errors.Is(err, textdiff.ErrTooLarge):
			v.Wrong = err.Error()
		case err != nil:
			return err
		}
	}
	if !v.HasWas && !v.HasIs {
		return fmt.Errorf("member %q: %w", v.Path, store.ErrNotFound)
	}
	if v.Wrong == "" {
		v.add(textdiff.Compare(was.Text, is.Text))
	}
	return nil
}

// Command is what shows all of it on a terminal.
func (v *textView) Command() string {
	return "kist compare " + v.WasID + " " + v.IsID + " --volume " + screen.ShellQuote(v.Is.Volume) + " --text " + screen.ShellQuote(v.Path)
}

// side reads one of two texts. Where there is no such member, it is empty and has no path.
func (s *Server) side(r *http.Request, at ref) (textdiff.Side, error) {
	c, err := s.openContent(r, at)
	if errors.Is(err, fs.ErrNotExist) {
		return textdiff.Side{}, nil
	}
	if err != nil {
		return textdiff.Side{}, err
	}
	defer c.Close()
	if c.ReaderAt == nil {
		return textdiff.Side{Path: at.Path}, textdiff.ErrBinary
	}
	text, err := textdiff.Read(c)
	return textdiff.Side{Path: at.Path, Time: c.info.ModTime(), Text: text}, err
}

// add shows a difference, as far as there is room.
func (v *textView) add(d *textdiff.Difference) {
	v.Came, v.Went = d.Count()
	v.More = v.Came + v.Went
	for _, h := range d.Hunks {
		if v.full() {
			return
		}
		v.Hunks = append(v.Hunks, hunk{Was: h.Was, Is: h.Is})
		was, is := h.Was.From, h.Is.From
		for _, c := range h.Changes {
			v.same(d, was, is, c.Was.From)
			v.change(d, c)
			was, is = c.Was.To, c.Is.To
		}
		v.same(d, was, is, h.Was.To)
	}
}

// same shows lines that both have.
func (v *textView) same(d *textdiff.Difference, was, is, end int) {
	for ; was < end && !v.full(); was, is = was+1, is+1 {
		text := v.line(d.Was[was])
		v.bytes += len(template.HTMLEscapeString(text)) // it is there twice
		v.append(textRow{WasNumber: was + 1, IsNumber: is + 1, Was: text, Is: text, Same: true})
	}
}

// change shows a change: the first line that went beside the first one that came, and so on.
func (v *textView) change(d *textdiff.Difference, c textdiff.Change) {
	for n := 0; n < max(c.Was.Len(), c.Is.Len()) && !v.full(); n++ {
		var row textRow
		if n < c.Was.Len() {
			line := d.Was[c.Was.From+n]
			row.WasNumber, row.Was, row.WasOpen = c.Was.From+n+1, v.line(line), !strings.HasSuffix(line, "\n")
			v.More--
		}
		if n < c.Is.Len() {
			line := d.Is[c.Is.From+n]
			row.IsNumber, row.Is, row.IsOpen = c.Is.From+n+1, v.line(line), !strings.HasSuffix(line, "\n")
			v.More--
		}
		v.append(row)
	}
}

func (v *textView) full() bool { return v.rows >= rowsAtOnce || v.bytes >= mostRows }

func (v *textView) append(row textRow) {
	h := &v.Hunks[len(v.Hunks)-1]
	h.Rows = append(h.Rows, row)
	v.rows++
}

// line gives a line as it is shown, so much of it as a page bears.
func (v *textView) line(text string) string {
	text = strings.TrimSuffix(text, "\n")
	end := cut(text, mostLine)
	shown := screen.Tabbed(text[:end])
	if left := len(text) - end; left > 0 {
		shown += fmt.Sprintf(" … (%s more bytes of this line)", screen.Number(left))
	}
	v.bytes += len(template.HTMLEscapeString(shown))
	return shown
}

// Title says which lines a hunk has.
func (h hunk) Title() string { return "Was: " + linesText(h.Was) + ". Is: " + linesText(h.Is) }

func linesText(s textdiff.Span) string {
	switch s.Len() {
	case 0:
		return "no line"
	case 1:
		return "line " + screen.Number(s.To)
	}
	return "lines " + screen.Number(s.From+1) + " to " + screen.Number(s.To)
}
