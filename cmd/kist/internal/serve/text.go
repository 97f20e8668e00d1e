package serve

import (
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"strconv"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/textdiff"
	"github.com/kistarchive/kist/store"
)

// linesAtOnce is how many lines of a difference are shown.
const linesAtOnce = 5000

// textView is the difference of a text, side by side.
type textView struct {
	Was, Is        ref
	HasWas, HasIs  bool
	WasID, IsID    string
	Path           string
	Hunks          []hunk
	More           int // lines that are not shown
	Wrong          string
	Added, Removed int
}

// hunk is a stretch of lines with changes among them.
type hunk struct {
	Title string
	Rows  []textRow
}

// textRow is a line in both texts, or in one.
type textRow struct {
	WasNumber, IsNumber int // 0: there is none
	Was, Is             string
	Kind                string // same, changed, gone or added
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
	one, err := s.side(r, v.Was)
	if err == nil {
		var other textdiff.Side
		if other, err = s.side(r, v.Is); err == nil {
			v.HasWas, v.HasIs = one.Path != "", other.Path != ""
			if !v.HasWas && !v.HasIs {
				return fmt.Errorf("member %q: %w", path, store.ErrNotFound)
			}
			v.add(textdiff.Unified(one, other))
		}
	}
	if errors.Is(err, textdiff.ErrBinary) || errors.Is(err, textdiff.ErrTooLarge) {
		v.HasWas, v.HasIs, v.Wrong, err = true, true, err.Error(), nil
	}
	if err != nil {
		return err
	}
	return s.show(w, http.StatusOK, "text", &frame{Title: "How " + screen.Printable(v.Is.name()) + " differs", At: "compare", Body: v})
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
		return textdiff.Side{}, textdiff.ErrBinary
	}
	text, err := textdiff.Read(c)
	return textdiff.Side{Path: at.Path, Time: c.info.ModTime(), Text: text}, err
}

// add takes a unified difference apart.
func (v *textView) add(unified string) {
	var wasAt, isAt, shown int
	var gone []textRow
	for line := range strings.Lines(unified) {
		if strings.HasPrefix(line, "@@ ") {
			v.flush(&gone)
			wasAt, isAt = starts(line)
			v.Hunks = append(v.Hunks, hunk{Title: strings.TrimSpace(line)})
			continue
		}
		if len(v.Hunks) == 0 { // the names of both
			continue
		}
		switch line[0] {
		case '-':
			v.Removed++
		case '+':
			v.Added++
		}
		if shown++; shown > linesAtOnce {
			v.More++
			continue
		}
		text := screen.Tabbed(strings.TrimSuffix(line[1:], "\n"))
		switch line[0] {
		case '-':
			gone = append(gone, textRow{WasNumber: wasAt, Was: text, Kind: "gone"})
			wasAt++
		case '+':
			row := textRow{IsNumber: isAt, Is: text, Kind: "added"}
			isAt++
			if len(gone) > 0 { // beside a line that went
				row.WasNumber, row.Was, row.Kind = gone[0].WasNumber, gone[0].Was, "changed"
				gone = gone[1:]
			}
			v.append(row)
		case ' ':
			v.flush(&gone)
			v.append(textRow{wasAt, isAt, text, text, "same"})
			wasAt, isAt = wasAt+1, isAt+1
		}
	}
	v.flush(&gone)
}

func (v *textView) append(row textRow) {
	h := &v.Hunks[len(v.Hunks)-1]
	h.Rows = append(h.Rows, row)
}

func (v *textView) flush(gone *[]textRow) {
	for _, row := range *gone {
		v.append(row)
	}
	*gone = nil
}

// starts gives the numbers of the first lines of a hunk: "@@ -1,7 +1,6 @@".
func starts(line string) (was, is int) {
	for _, part := range strings.Fields(line)[1:] {
		n, _, _ := strings.Cut(strings.TrimLeft(part, "+-"), ",")
		at, _ := strconv.Atoi(n)
		switch part[0] {
		case '-':
			was = at
		case '+':
			is = at
		}
	}
	return was, is
}
