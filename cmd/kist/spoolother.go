package main

import (
	"fmt"
	"path/filepath"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/spool"
	"github.com/kistarchive/kist/cmd/kist/internal/where"
)

// waitElsewhere are captures that wait to be sent to another repository than the one that lies at a path by now.
type waitElsewhere struct {
	path  string
	spool *spool.Spool
	count int
}

func (w *waitElsewhere) text() string {
	back := "mount that, or put it back"
	if where.IsAddress(w.path) {
		back = "see that the endpoint and the prefix are the right ones, or put it back"
	}
	return fmt.Sprintf("%s in the spool on this machine (%s) to be sent to another repository, which lay at %s before: %s; where it lies elsewhere by now, kist resume --repository PLACE sends what waits",
		screen.Count(w.count, "capture waits", "captures wait"), screen.Printable(w.spool.Dir), screen.Printable(w.path), back)
}

// waitElsewhere gives what waits for other repositories than one, by the name of its spool, that were found at the path that is
// asked for.
func (a *app) waitElsewhere(repository string) (all []*waitElsewhere) {
	at, err := a.repositoryPlace()
	spools, ok := a.spools()
	if err != nil || !ok {
		return nil
	}
	path := at.Full()
	others, err := spools.Others(path, repository)
	if err != nil {
		a.Warn("whether captures wait for a repository that lay at %s before is not known: %s", screen.Printable(path), screen.Text(err.Error()))
	}
	id, _, _ := strings.Cut(repository, "-")
	for _, other := range others {
		if name := filepath.Base(other.Dir); name == id || strings.HasPrefix(name, id+"-") {
			continue // another place of the same one: see strayed
		}
		ids, _ := other.Waiting()
		all = append(all, &waitElsewhere{path, other, len(ids)})
	}
	return all
}

// warnElsewhere says which captures wait for another repository, and tells whether any do.
func (a *app) warnElsewhere(repository string) bool {
	all := a.waitElsewhere(repository)
	for _, w := range all {
		a.Warn("%s.", w.text())
	}
	return len(all) > 0
}

// isUnknown tells whether no repository with a spool was ever found at the path that is asked for, though captures wait in some
// spool of this machine: the repository may be the one that they wait for.
func (a *app) isUnknown() bool {
	at, err := a.repositoryPlace()
	spools, ok := a.spools()
	if err != nil || !ok {
		return false
	}
	_, err = spools.At(at.Full())
	return err != nil && spools.AnyWaiting()
}
