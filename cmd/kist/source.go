package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/volume"
)

type sourceKind int

const (
	sourceFile sourceKind = iota
	sourceFolder
	sourceStdin
	sourceCopy // what a container engine copies
)

// source is what becomes one volume.
type source struct {
	kind      sourceKind
	path      string // as it was given
	name      string // of the volume
	mountPath string // in a container
	stdin     io.Reader
	copy      func(context.Context) io.ReadCloser
	empty     bool // may be
	folder    folderOptions
}

// folderOptions say how folders are read.
type folderOptions struct {
	reread bool
	read   volume.ReadOptions
}

// tarEndings are dropped from the base name of a source.
var tarEndings = []string{".tar", ".tar.gz", ".tgz", ".tar.zst", ".tar.xz"}

// findSources looks at all sources before any is read.
func (a *app) findSources(paths []string, acceptEmpty bool, folders folderOptions) ([]*source, error) {
	var sources []*source
	taken := make(map[string]bool)
	for _, path := range paths {
		if path == "" {
			return nil, usagef("a source without a name: an argument is empty")
		}
		s := &source{path: path, empty: acceptEmpty, folder: folders}
		if path == "-" {
			s.kind, s.name, s.stdin = sourceStdin, "stdin", a.stdin
			if screen.IsTerminal(a.stdin) {
				return nil, usagef("standard input is a terminal: pipe a stream into it")
			}
			if taken[s.name] {
				return nil, usagef("standard input can be read once only")
			}
		} else if err := s.look(); err != nil {
			return nil, err
		}
		s.name = distinct(s.name, taken)
		sources = append(sources, s)
	}
	return sources, nil
}

func (s *source) look() error {
	info, err := os.Stat(s.path)
	if errors.Is(err, fs.ErrNotExist) {
		return missing(fmt.Errorf("source %s is not there", screen.Line(s.path)))
	}
	if err != nil {
		return err
	}
	if info.IsDir() {
		s.kind = sourceFolder
	}
	s.name, err = sourceName(s.path)
	return err
}

// sourceName gives the base name of a source without the endings of tar files.
func sourceName(path string) (string, error) {
	full, err := filepath.Abs(path)
	if err != nil {
		return "", err
	}
	name := strings.ToValidUTF8(filepath.Base(full), "_")
	for _, ending := range tarEndings {
		if short, ok := strings.CutSuffix(name, ending); ok && short != "" {
			return short, nil
		}
	}
	if name == string(filepath.Separator) {
		name = "root"
	}
	return name, nil
}

// distinct gives a name that is not taken yet, and takes it.
func distinct(name string, taken map[string]bool) string {
	free := name
	for n := 2; taken[free]; n++ {
		free = fmt.Sprintf("%s-%d", name, n)
	}
	taken[free] = true
	return free
}

// checkApart refuses to capture a repository into itself.
func (a *app) checkApart(sources []*source) error {
	path, err := a.repositoryPath()
	if err != nil {
		return err
	}
	root := resolve(path)
	for _, s := range sources {
		if s.kind != sourceFolder {
			continue
		}
		if within(resolve(s.path), root) {
			return usagef("the repository lies in the source %s: it would capture itself", screen.Line(s.path))
		}
	}
	return nil
}

// resolve gives a path without links, as far as it can be had.
func resolve(path string) string {
	if target, err := filepath.EvalSymlinks(path); err == nil {
		path = target
	}
	if full, err := filepath.Abs(path); err == nil {
		path = full
	}
	return path
}

// input is the source as the store takes it. Source tells the store which files
// to take over from the capture before.
func (s *source) input() store.VolumeInput {
	v := store.VolumeInput{Name: s.name, MountPath: s.mountPath, Open: s.open}
	if s.kind != sourceStdin {
		v.Source = strings.ToValidUTF8(resolve(s.path), "_")
	}
	if s.kind == sourceFolder {
		v.Open = nil
		v.Folder = &store.FolderInput{Path: s.path, Options: s.folder.read, Reread: s.folder.reread}
	}
	return v
}

// open gives the volume's stream, where it is no folder.
func (s *source) open(ctx context.Context) (io.ReadCloser, error) {
	switch s.kind {
	case sourceCopy:
		return s.copy(ctx), nil
	case sourceStdin:
		return s.mustHold(heeding(ctx, s.stdin))
	}
	f, err := volume.OpenFile(s.path)
	if err != nil {
		return nil, err
	}
	return s.mustHold(f)
}

// mustHold refuses an empty stream: most likely what should have written it
// failed.
func (s *source) mustHold(stream io.ReadCloser) (io.ReadCloser, error) {
	in := bufio.NewReader(stream)
	if _, err := in.Peek(1); err == io.EOF && !s.empty {
		stream.Close()
		return nil, fmt.Errorf("source %s is empty: did what writes it fail? --accept-unfinished takes it as it is", screen.Line(s.path))
	}
	return struct {
		io.Reader
		io.Closer
	}{in, stream}, nil
}

// heeding reads a stream that may block for ever, until ctx ends. Then a read of
// r may still go on, until the process ends.
func heeding(ctx context.Context, r io.Reader) io.ReadCloser {
	out, in := io.Pipe()
	go func() {
		_, err := io.Copy(in, r)
		in.CloseWithError(err)
	}()
	context.AfterFunc(ctx, func() { in.CloseWithError(context.Cause(ctx)) })
	return out
}

func isUnfinished(err error) bool {
	return errors.Is(err, store.ErrUnfinished) || errors.Is(err, tarstream.ErrHeader)
}
