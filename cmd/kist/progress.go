package main

import "github.com/kistarchive/kist/store"

// progress shows how far something is, on a terminal; else report is nil. end
// takes it off the screen.
func (a *app) progress(what string) (report func(store.Progress), end func()) {
	if a.getenv("TERM") == "dumb" {
		return nil, func() {}
	}
	show, end := a.Progress(what)
	if show == nil {
		return nil, end
	}
	return func(p store.Progress) { show(p.Bytes, p.Total) }, end
}
