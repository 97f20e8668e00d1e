package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// knownFolder is where it is kept what this machine knows of repositories; "" means
// nowhere, and why says the reason.
func (a *app) knownFolder() (path, why string) {
	switch path := a.getenv("KIST_STATE"); path {
	case "":
	case "off":
		return "", "KIST_STATE=off"
	default:
		return path, ""
	}
	// A service that systemd starts may be given one (systemd.exec(5), StateDirectory=).
	if dir, _, _ := strings.Cut(a.getenv("STATE_DIRECTORY"), ":"); filepath.IsAbs(dir) {
		return dir, ""
	}
	if !filepath.IsAbs(a.getenv("XDG_STATE_HOME")) {
		// Common practice on these systems; no source.
		if dir := a.getenv("LocalAppData"); runtime.GOOS == "windows" && filepath.IsAbs(dir) {
			return filepath.Join(dir, "kist", "state"), ""
		}
		if dir := a.getenv("HOME"); runtime.GOOS == "darwin" && filepath.IsAbs(dir) {
			return filepath.Join(dir, "Library", "Application Support", "kist"), ""
		}
	}
	path, err := a.stateFolder()
	if err != nil {
		return "", "there is no home folder, and KIST_STATE is not set"
	}
	return path, ""
}

// openOptions are those by which every command opens the repository.
func (a *app) openOptions() store.OpenOptions {
	o := store.OpenOptions{Cache: a.usableCache(), AcceptNewRoot: a.shared.acceptNewRoot, Warn: a.warnOfState}
	var why string
	if o.State, why = a.knownFolder(); o.State == "" {
		a.Say("This machine keeps nothing of what it knows of the repository (%s): captures that somebody removes or exchanges may not show, and every capture of a folder reads all files.", why)
	}
	return o
}

// warnOfState warns of what is not as this machine knows it.
func (a *app) warnOfState(err error) {
	if errors.Is(err, store.ErrForgetful) {
		a.Warn("%s. Captures that somebody removes or exchanges may not show, and the next capture of a folder reads all files (KIST_STATE names another folder).", screen.Text(err.Error()))
		return
	}
	text := screen.Text(err.Error())
	if lapse := (*store.LapseError)(nil); errors.As(err, &lapse) {
		text += " (kist verify tells more; kist repair tells what can be done)"
	}
	a.Warn("%s.", text)
}

// stateFolder is where the program's state is kept, and notes about stopped containers
// in any case (XDG Base Directory Specification; for
// root, the Filesystem Hierarchy Standard's /var/lib).
func (a *app) stateFolder() (string, error) {
	if dir := a.getenv("XDG_STATE_HOME"); filepath.IsAbs(dir) {
		return filepath.Join(dir, "kist"), nil
	}
	if os.Geteuid() == 0 {
		return "/var/lib/kist", nil
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "", fmt.Errorf("no folder for notes about stopped containers: %w", err)
	}
	return filepath.Join(home, ".local", "state", "kist"), nil
}
