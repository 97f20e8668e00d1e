package spool

import (
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
)

// Other is a spool of another place of a repository, and what waits in it.
type Other struct {
	Repository string   // whose it is, with the place
	Waiting    []string // ids of captures, oldest first; at least one
	Paths      []string // where that place was last found
}

// OtherPlaces gives the spools of all places of a repository but one in which captures wait. What can't be read is left out.
func (s Spools) OtherPlaces(id, but string) (all []Other) {
	entries, _ := os.ReadDir(s.Dir)
	for _, e := range entries {
		name := e.Name()
		if name == but || name != id && !strings.HasPrefix(name, id+"-") {
			continue
		}
		spool, err := s.Of(name)
		if err != nil {
			continue
		}
		if waiting, err := spool.Waiting(); err == nil && len(waiting) > 0 {
			all = append(all, Other{name, waiting, s.pathsOf(name)})
		}
	}
	return all
}

// pathsOf gives where a repository was last found.
func (s Spools) pathsOf(repository string) (paths []string) {
	entries, _ := os.ReadDir(filepath.Join(s.Dir, places))
	for _, e := range entries {
		b, err := files.ReadMine(filepath.Join(s.Dir, places, e.Name()), 64<<10)
		if err != nil {
			continue
		}
		var p place
		if files.UnmarshalExact(b, &p) == nil && p.Repository == repository {
			paths = append(paths, p.Path)
		}
	}
	slices.Sort(paths)
	return paths
}
