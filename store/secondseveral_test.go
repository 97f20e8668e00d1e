package store_test

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"strings"
)

// staying gives the names of the index files that count, but for those of captures that are retired, section 10.
func (r *secondReader) staying() (names []string, err error) {
	all, err := r.latest()
	if err != nil {
		return nil, err
	}
	for _, name := range all {
		id, _, _ := strings.Cut(path.Base(name), ".")
		retired, err := r.retired(id)
		if err != nil {
			return nil, err
		}
		if !retired {
			names = append(names, name)
		}
	}
	return names, nil
}

// retired tells whether a capture is retired, by its own marks and by those of several captures.
func (r *secondReader) retired(id string) (bool, error) {
	holds, err := r.list("holds")
	if err != nil {
		return false, err
	}
	for _, name := range holds {
		ended := r.mark("hold", name+".released", &secondMark{}) == nil
		if strings.HasPrefix(path.Base(name), id+".") && path.Ext(name) != ".released" && !ended {
			return false, nil
		}
	}
	marks, err := r.list("retired")
	if err != nil {
		return false, err
	}
	for _, name := range marks {
		base := path.Base(name)
		var several secondRetirement
		switch {
		case path.Ext(name) == ".undone":
			continue
		case path.Ext(name) == ".several":
			if err := r.mark("retirement", name, &several); err != nil {
				return false, err
			}
			base = strings.TrimSuffix(base, ".several")
		case r.mark("retired", name, &secondMark{}) == nil:
			several.Captures = []string{strings.Split(base, ".")[0]}
		}
		for _, c := range several.Captures {
			_, random, _ := strings.Cut(base, ".")
			if _, err := fs.Stat(r.fsys, "retired/"+id+"."+random+".undone"); c == id && err != nil {
				return true, nil
			}
		}
	}
	return false, nil
}

// check holds the index files of a bundle against those that are there, of which there must be some.
func (b *secondBundle) check(r *secondReader) error {
	if len(b.Names) != len(b.Objects) {
		return fmt.Errorf("%d names and %d objects", len(b.Names), len(b.Objects))
	}
	there := 0
	for i, name := range b.Names {
		object, err := fs.ReadFile(r.fsys, "captures/"+name)
		if errors.Is(err, fs.ErrNotExist) {
			continue // gone since
		}
		if err != nil || !bytes.Equal(object, b.Objects[i]) {
			return fmt.Errorf("another captures/%s: %w", name, err)
		}
		there++
	}
	if there == 0 {
		return errors.New("all of its index files are gone")
	}
	return nil
}
