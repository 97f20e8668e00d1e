package main

import (
	"cmp"
	"context"
	"errors"
	"path"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/stopped"
	"github.com/kistarchive/kist/cmd/kist/internal/where"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/rotation"
)

// The exit statuses.
const (
	statusDone    = 0
	statusFailed  = 1
	statusUsage   = 2
	statusDamage  = 3
	statusMissing = 4
)

// statusError has an exit status of its own. Without an error in it, all has
// been said.
type statusError struct {
	status int
	err    error
}

func (e *statusError) Error() string {
	if e.err == nil {
		return ""
	}
	return e.err.Error()
}

func (e *statusError) Unwrap() error { return e.err }

// usagef gives an error for a wrong command line.
func usagef(format string, args ...any) error {
	return cmdline.Usagef(format, args...)
}

// missing marks an error as being about something that does not exist.
func missing(err error) error { return &statusError{statusMissing, err} }

// statusOf gives the exit status that an error means. Damage comes before all
// else.
func statusOf(err error) int {
	var own *statusError
	var usage *cmdline.UsageError
	var absent *cmdline.MissingError
	switch {
	case err == nil:
		return statusDone
	case errors.Is(err, store.ErrDamaged), errors.Is(err, store.ErrDamagedSlot), errors.Is(err, store.ErrVanished), errors.Is(err, store.ErrStranger):
		return statusDamage
	case errors.Is(err, crypt.ErrForgedSlot), errors.Is(err, crypt.ErrSlotTooCheap) && !errors.Is(err, store.ErrWrongSecret):
		return statusDamage
	case errors.As(err, &own):
		return own.status
	case errors.As(err, &usage):
		return statusUsage
	case errors.As(err, &absent):
		return statusMissing
	case errors.Is(err, store.ErrNotFound), errors.Is(err, store.ErrNoRepository), errors.Is(err, engine.ErrNotFound):
		return statusMissing
	case errors.Is(err, store.ErrBadOptions), errors.Is(err, store.ErrNoDeltas), errors.Is(err, store.ErrAmbiguous), errors.Is(err, path.ErrBadPattern),
		errors.Is(err, rotation.ErrBadRules), errors.Is(err, crypt.ErrLabel), errors.Is(err, where.ErrBadAddress):
		return statusUsage
	}
	return statusFailed
}

// printError prints an error, and what to do about it.
func (a *app) printError(err error) {
	text := err.Error()
	var down *stopped.DownError
	var told *advised
	var silent *silentError
	switch {
	case text == "":
		return
	case errors.As(err, &told):
		text += "\n" + told.advice
	case errors.As(err, &silent):
		text = silentText(err, silent)
	case errors.Is(err, context.Canceled) && errors.As(err, &down):
		text = "interrupted\n" + down.Error()
	case errors.Is(err, context.Canceled):
		text = "interrupted; nothing is left half done"
	case errors.Is(err, store.ErrDamaged):
		if errors.Is(err, store.ErrBase) {
			text += "\n" + baseHint("It", err)
		}
		text += "\nkist verify --full shows what else is harmed; " + cmp.Or(a.mendFrom(), "kist repair mends what can be mended.")
	default:
		if h := a.advice(err); h != "" {
			text += "\n" + h
		}
	}
	switch {
	case a.looks:
		text = strings.ReplaceAll(text, againText, againLookText+".")
	case a.makes:
		text = strings.ReplaceAll(text, againText, againSetupText)
	}
	if a.JSON {
		first, more, _ := strings.Cut(text, "\n")
		screen.EncodeJSON(a.Err, errorJSON{first, more, statusOf(err)})
		return
	}
	if !strings.HasPrefix(text, "kist ") {
		text = "kist: " + text
	}
	a.Beside(screen.Text(text))
}

// errorJSON is an error as scripts get it: the last line on standard error.
type errorJSON struct {
	Error  string `json:"error"`
	More   string `json:"more,omitempty"` // what else is to be said, in lines: what to do
	Status int    `json:"exit_status"`
}

// sentence gives an error as a text that something may follow: some end with a question.
func sentence(err error) string {
	text := screen.Text(err.Error())
	if strings.HasSuffix(text, "?") || strings.HasSuffix(text, ".") {
		return text
	}
	return text + "."
}
