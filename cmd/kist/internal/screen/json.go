package screen

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"unicode/utf16"
)

// PrintJSON prints a result as one line of JSON.
func (s *Screen) PrintJSON(v any) error { return EncodeJSON(s.Out, v) }

// EncodeJSON writes one line of JSON, escaped by EscapeJSON.
func EncodeJSON(w io.Writer, v any) error {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		return err
	}
	_, err := io.WriteString(w, EscapeJSON(b.String()))
	return err
}

// EscapeJSON escapes, as JSON does, what a terminal may obey and encoding/json
// leaves as it is: DEL, the C1 controls, what turns the direction of text, and what
// does not show.
func EscapeJSON(s string) string {
	obeyed := func(r rune) bool { return r >= 0x7f && !Visible(r) }
	if strings.IndexFunc(s, obeyed) < 0 {
		return s
	}
	var b strings.Builder
	for _, r := range s {
		if !obeyed(r) {
			b.WriteRune(r)
			continue
		}
		for _, unit := range utf16.Encode([]rune{r}) {
			fmt.Fprintf(&b, `\u%04x`, unit)
		}
	}
	return b.String()
}

// Array prints a JSON array element by element.
type Array struct {
	w     io.Writer
	begun bool
}

// NewArray prints an array to w; End ends it.
func NewArray(w io.Writer) *Array { return &Array{w: w} }

// Add prints one more element.
func (j *Array) Add(v any) error {
	if err := j.separate(","); err != nil {
		return err
	}
	return EncodeJSON(j.w, v)
}

func (j *Array) separate(s string) error {
	if !j.begun {
		s = "["
	}
	j.begun = true
	_, err := io.WriteString(j.w, s)
	return err
}

// End prints the end of the array.
func (j *Array) End() error {
	if !j.begun {
		if err := j.separate("["); err != nil {
			return err
		}
	}
	_, err := io.WriteString(j.w, "]\n")
	return err
}
