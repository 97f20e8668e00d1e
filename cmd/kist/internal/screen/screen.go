package screen

import (
	"fmt"
	"io"
)

// Screen is where one run of the program prints.
type Screen struct {
	Out   *Output   // standard output, for results
	Err   io.Writer // standard error, for everything else
	Quiet bool      // --quiet
	JSON  bool      // --json: standard error has JSON lines, too, and no remarks

	Columns int // of the screen; 0: those of the terminal, and no end where there is none
}

// New gives a screen of two streams.
func New(stdout, stderr io.Writer) *Screen {
	return &Screen{Out: &Output{w: stdout}, Err: stderr}
}

// Output is standard output. It keeps the first error.
type Output struct {
	w   io.Writer
	err error
}

// Failed gives the first error of writing, or nil.
func (o *Output) Failed() error { return o.err }

// IsTerminal tells whether results go to a terminal.
func (o *Output) IsTerminal() bool { return IsTerminal(o.w) }

// Write implements io.Writer. After an error nothing more is written.
func (o *Output) Write(p []byte) (int, error) {
	if o.err != nil {
		return 0, o.err
	}
	n, err := o.w.Write(p)
	if err != nil {
		o.err = fmt.Errorf("writing to standard output: %w", err)
	}
	return n, o.err
}

// Say prints a remark, unless --quiet or --json was given.
func (s *Screen) Say(format string, args ...any) {
	if !s.Quiet && !s.JSON {
		s.prose(format, args...)
	}
}

// Warn prints a warning, with --json as a line {"warning":…}.
func (s *Screen) Warn(format string, args ...any) {
	if s.JSON {
		EncodeJSON(s.Err, warningJSON{fmt.Sprintf(format, args...)})
		return
	}
	s.prose("Warning: "+format, args...)
}

// prose prints a paragraph beside the results.
func (s *Screen) prose(format string, args ...any) {
	fmt.Fprintln(s.Err, Wrap(fmt.Sprintf(format, args...), s.widthOf(s.Err)))
}

// Beside prints a text beside the results, whatever was asked for: an error, a caution.
func (s *Screen) Beside(text string) { s.prose("%s", text) }

// warningJSON is a warning as scripts get it: a line on standard error.
type warningJSON struct {
	Warning string `json:"warning"`
}

// MaxWarnings is how many of a kind are printed.
const MaxWarnings = 20

// WarnAll prints the first of many warnings, and how many there are besides.
func (s *Screen) WarnAll(texts []string) {
	for i, text := range texts {
		if i == MaxWarnings {
			s.Warn("… and %d more.", len(texts)-i)
			return
		}
		s.Warn("%s", text)
	}
}

// Printf prints a result.
func (s *Screen) Printf(format string, args ...any) { fmt.Fprintf(s.Out, format, args...) }

// table prints lines whose cells are separated by tabs, with so much between columns.
func (s *Screen) table(lines []string, gap int) error {
	_, err := io.WriteString(s.Out, align(lines, gap))
	return err
}
