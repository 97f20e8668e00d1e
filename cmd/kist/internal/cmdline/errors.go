package cmdline

import (
	"fmt"
	"regexp"
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// A UsageError is returned for a command line that can't be meant.
type UsageError struct{ err error }

func (e *UsageError) Error() string { return e.err.Error() }

// Unwrap gives what Usagef was given for %w, wrapped.
func (e *UsageError) Unwrap() error { return e.err }

// Usagef gives a *UsageError.
func Usagef(format string, args ...any) error { return &UsageError{fmt.Errorf(format, args...)} }

// A MissingError is returned when something that was named is not there.
type MissingError struct {
	What string // "key file", "source"
	Path string
}

func (e *MissingError) Error() string {
	return fmt.Sprintf("%s %s is not there", e.What, screen.Line(e.Path))
}

// badNumber is what package flag says of the value of a flag that takes a number.
var badNumber = regexp.MustCompile(`^invalid value (".*") for flag -([a-z-]+): (parse error|value out of range)$`)

// badBool is what it says of one that may have none.
var badBool = regexp.MustCompile(`^invalid boolean value (".*") for -([a-z-]+): parse error$`)

// FlagError makes an error of the flag parser one of ours (cli.OnUsageErrorFunc).
func FlagError(c *cli.Context, err error, _ bool) error {
	text := err.Error() // of package flag, which knows one dash
	if m := badNumber.FindStringSubmatch(text); m != nil {
		if c != nil && c.Command != nil {
			if _, span := findFlag(c.Command.Flags, m[2]).(*cli.DurationFlag); span {
				return Usagef("--%s %s: write it as 60s or 5m", m[2], m[1])
			}
		}
		return Usagef("--%s %s: it must be a whole number, such as 7", m[2], m[1])
	}
	if m := badBool.FindStringSubmatch(text); m != nil {
		return Usagef("--%s=%s: it takes no value but true and false", m[2], strings.Trim(m[1], `"`))
	}
	for _, before := range []string{" for flag -", " for -"} {
		text = strings.Replace(text, before, before+"-", 1)
	}
	return Usagef("%s", text)
}
