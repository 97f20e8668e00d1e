package main

import (
	"errors"
	"slices"
	"sync"

	"github.com/kistarchive/kist/cmd/kist/internal/places"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage/cache"
)

// usableCache is the folder for copies of small objects, or "" with a warning where others can write it.
func (a *app) usableCache() string {
	path := places.Cache(a.getenv)
	if path == "" {
		return ""
	}
	if err := cache.Check(path); errors.Is(err, cache.ErrShared) {
		a.Warn("%s Nothing is kept in it: make it your own, with mode 0700, or set KIST_CACHE to another folder, or to off.", sentence(err))
		return ""
	}
	return path
}

// openOptions are those by which every command opens the repository.
func (a *app) openOptions() store.OpenOptions {
	o := store.OpenOptions{Cache: a.usableCache(), AcceptNewRoot: a.shared.acceptNewRoot, Warn: a.warnOfState}
	var why string
	if o.State, why = places.State(a.getenv); o.State == "" {
		a.Say("This machine keeps nothing of what it knows of the repository (%s): captures that somebody removes or exchanges may not show, and every capture of a folder reads all files.", why)
	}
	return o
}

// warnOfState warns of what is not as this machine knows it.
func (a *app) warnOfState(err error) {
	if errors.Is(err, store.ErrForgetful) {
		a.Warn("%s Captures that somebody removes or exchanges may not show, and the next capture of a folder reads all files (KIST_STATE names another folder).", sentence(err))
		return
	}
	text := screen.Text(err.Error())
	if lapse := (*store.LapseError)(nil); errors.As(err, &lapse) {
		a.lapsed.note(lapse)
		text += " (kist verify tells more; kist repair tells what can be done)"
	}
	a.Warn("%s.", text)
}

// lapses keeps which captures were told to be missing, for who shows them elsewhere, too. It is safe for concurrent use.
type lapses struct {
	mu  sync.Mutex
	ids []string
}

func (l *lapses) note(told *store.LapseError) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.ids = told.Missing
}

// missing gives their ids.
func (l *lapses) missing() []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.Clone(l.ids)
}
