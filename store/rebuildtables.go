package store

import (
	"context"

	"github.com/kistarchive/kist/store/internal/vault"
)

// RebuildReport says what [Repository.RebuildTables] did.
type RebuildReport struct {
	Slabs    int      `json:"slabs"`    // that no table listed and one lists now
	Replaced []string `json:"replaced"` // damaged tables, and those that said what is not so: they were removed, once a new one was there
	Damaged  []error  `json:"-"`        // slabs that can't be read, and stay without a table
}

// RebuildTables writes a table of all slabs that no readable table lists, from
// the slabs themselves, and then removes tables that are damaged. Tables serve
// to find chunks again: without them nothing is lost, but captures store again
// what is there. It reads those slabs whole.
func (r *Repository) RebuildTables(ctx context.Context) (report *RebuildReport, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(ctx); err != nil {
		return nil, err
	}
	r, err = r.afresh()
	if err != nil {
		return nil, err
	}
	defer r.slabs.Close()
	done, err := r.stock.Rebuild(ctx)
	return (*RebuildReport)(done), err
}
