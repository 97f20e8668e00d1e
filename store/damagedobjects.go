package store

import (
	"errors"
	"slices"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/names"
)

// DamagedObjects gives the names of the objects that an error says are damaged, sorted,
// each once: of all errors that it wraps or joins. Where there is none, it gives nil. An
// error that ends with "and N more" names those as well.
func DamagedObjects(err error) []string {
	var all []string
	gatherDamaged(err, &all)
	slices.Sort(all)
	return slices.Compact(all)
}

func gatherDamaged(err error, all *[]string) {
	switch e := err.(type) {
	case *ObjectError:
		if errors.Is(e.Err, ErrDamaged) {
			*all = append(*all, e.Object)
		}
	case *fetch.SlabError:
		if errors.Is(e.Err, ErrDamaged) && !errors.Is(e.Err, fetch.ErrBase) { // else what it wraps is about the base
			*all = append(*all, names.Slab(e.Slab))
		}
	}
	switch e := err.(type) {
	case interface{ Unwrap() error }:
		gatherDamaged(e.Unwrap(), all)
	case interface{ Unwrap() []error }:
		for _, one := range e.Unwrap() {
			gatherDamaged(one, all)
		}
	}
}
