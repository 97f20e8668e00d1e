package ledger

import (
	"slices"

	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/remember"
	"github.com/kistarchive/kist/store/storage"
)

// OwnFiles gives the index files of captures that this machine made.
func (r *Ledger) OwnFiles(files []storage.Info) []storage.Info {
	made := make(map[string]bool)
	for _, c := range r.watch.Memory.Captures() {
		made[c.ID] = c.Kind == remember.Made
	}
	return slices.DeleteFunc(slices.Clone(files), func(info storage.Info) bool {
		id, _, err := names.ParseCapture(info.Name)
		return err != nil || !made[id]
	})
}
