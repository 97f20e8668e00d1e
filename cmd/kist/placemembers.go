package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"
	"time"

	"github.com/kistarchive/kist/store"
)

// placeMembers restores some members into a folder that is in use: into a part
// folder in it first, and when all are there, each into its place.
func (s *restoring) placeMembers(ctx context.Context, volumes []*store.Volume, dir string) (err error) {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return err
	}
	defer root.Close()
	part := ".part-" + strings.ToLower(rand.Text()[:6])
	if err := root.Mkdir(part, 0o700); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, removeTree(filepath.Join(dir, part))) }()
	report, err := s.build(ctx, volumes, filepath.Join(dir, part), true)
	if err != nil {
		return err
	}
	s.app.warnAll(lossTexts(report))
	p := &placer{root: root, part: part, suffix: ".before-" + strings.ToLower(time.Now().UTC().Format("20060102T150405Z")), discard: s.discard}
	err = p.merge(".")
	if err != nil {
		err = fmt.Errorf("%s: %w. %s in place already", dir, err, count(p.placed, "entry is", "entries are"))
	}
	for _, kept := range p.kept {
		s.app.say("The previous one is kept as %s.", printable(filepath.Join(dir, kept)))
	}
	if err == nil {
		s.sayRestored(dir, report)
	}
	return err
}

// placer moves what is in a part folder into the folder above it. It goes from
// folder to folder and never through a symbolic link.
type placer struct {
	root    *os.Root
	part    string
	suffix  string // of the name under which a previous entry is kept
	discard bool
	placed  int
	kept    []string
}

// merge moves the entries of one folder into the real folder of the same path.
func (p *placer) merge(dir string) error {
	entries, err := fs.ReadDir(p.root.FS(), path.Join(p.part, dir))
	if err != nil {
		return err
	}
	for _, e := range entries {
		if err := p.place(path.Join(dir, e.Name()), e.IsDir()); err != nil {
			return err
		}
	}
	return p.flush(dir)
}

// flush flushes the entries of a folder.
func (p *placer) flush(dir string) error {
	f, err := p.root.Open(dir)
	if err != nil {
		return err
	}
	return syncAndClose(f)
}

// place moves one entry into place. A folder that is there already only gets the
// entries.
func (p *placer) place(name string, isFolder bool) error {
	is, err := p.root.Lstat(name)
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return err
	case is.IsDir() && isFolder:
		return p.merge(name)
	default:
		if err := p.setAside(name, is.IsDir() || isFolder); err != nil {
			return err
		}
	}
	if err := p.root.Rename(path.Join(p.part, name), name); err != nil {
		return err
	}
	p.placed++
	return nil
}

// setAside gives the previous entry another name, and removes it where nobody
// wants it. A file keeps its own name too, so that it is never missing.
func (p *placer) setAside(name string, folder bool) error {
	aside := name + p.suffix
	if p.discard && !folder {
		return nil // the rename replaces it
	}
	if folder || p.root.Link(name, aside) != nil {
		if err := p.root.Rename(name, aside); err != nil {
			return err
		}
	}
	if p.discard {
		return p.root.RemoveAll(aside)
	}
	p.kept = append(p.kept, aside)
	return nil
}
