package sources

import (
	"bufio"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/volume"
)

// Kind is that of a source.
type Kind int

// The kinds of sources.
const (
	File Kind = iota
	Folder
	Stdin
	Copy    // what a container engine copies
	Program // what a program prints
)

// Source is what becomes one volume.
type Source struct {
	Kind      Kind
	Path      string // as it was given
	Name      string // of the volume
	MountPath string // in a container
	Empty     bool   // may be
	Pipe      bool   // a named one
	Reading   Reading

	Stdin io.Reader                           // of Stdin
	Copy  func(context.Context) io.ReadCloser // of Copy and Program
}

// Reading says how folders are read.
type Reading struct {
	Reread  bool // every file, also those that are as in the capture before
	Options volume.ReadOptions
}

// tarEndings are dropped from the base name of a source.
var tarEndings = []string{".tar", ".tar.gz", ".tgz", ".tar.zst", ".tar.xz", ".tar.bz2", ".tbz2"}

// Find looks at all that was named, before any of it is read; - is stdin. It fails with a
// *cmdline.UsageError or a *cmdline.MissingError where something can't be meant or is not
// there.
func Find(named []string, stdin io.Reader, acceptEmpty bool, how Reading) ([]*Source, error) {
	var found []*Source
	taken := make(Names)
	for _, path := range named {
		if path == "" {
			return nil, cmdline.Usagef("a source without a name: an argument is empty")
		}
		name, path, err := Split(path)
		if err != nil {
			return nil, err
		}
		s := &Source{Path: path, Empty: acceptEmpty, Reading: how}
		if path == "-" {
			s.Kind, s.Name, s.Stdin = Stdin, "stdin", stdin
			if screen.IsTerminal(stdin) {
				return nil, cmdline.Usagef("standard input is a terminal: pipe a stream into it")
			}
			if slices.ContainsFunc(found, func(s *Source) bool { return s.Kind == Stdin }) {
				return nil, cmdline.Usagef("standard input can be read once only")
			}
		} else if err := s.look(); err != nil {
			return nil, err
		}
		if slices.ContainsFunc(found, func(other *Source) bool { return other.Path != "-" && paths.Resolve(other.Path) == paths.Resolve(path) }) {
			return nil, cmdline.Usagef("source %s is named twice: each becomes a volume of its own, and both would be the same", screen.Line(path))
		}
		if name != "" && taken[name] {
			return nil, cmdline.Usagef("two volumes named %s", screen.Line(name))
		}
		s.Name = taken.Distinct(cmp.Or(name, s.Name))
		found = append(found, s)
	}
	return found, nil
}

// Split takes NAME=PATH apart; name is "" where none is given. A path that has a slash
// before its first = is none of this form, so ./a=b is a path.
func Split(named string) (name, path string, err error) {
	name, path, ok := strings.Cut(named, "=")
	switch {
	case !ok || strings.ContainsAny(name, `/\`):
		return "", named, nil
	case name == "" || name == "." || name == ".." || path == "" || !screen.IsVisible(name):
		return "", "", cmdline.Usagef("source %s: NAME=PATH gives a volume its name, and ./%s is the path", screen.Line(named), screen.Line(named))
	}
	return name, path, nil
}

func (s *Source) look() error {
	info, err := os.Stat(s.Path)
	if errors.Is(err, fs.ErrNotExist) {
		return &cmdline.MissingError{What: "source", Path: s.Path}
	}
	if err != nil {
		return err
	}
	if info.IsDir() {
		s.Kind = Folder
	}
	s.Pipe = info.Mode()&fs.ModeNamedPipe != 0
	s.Name, err = Name(s.Path)
	return err
}

// IsZip tells whether a file is a zip archive, by how it begins (APPNOTE.TXT of the format,
// "Local file header" and "End of central directory record"; from memory). Only regular files are
// looked into.
func IsZip(path string) (bool, error) {
	info, err := os.Stat(path)
	if err != nil || !info.Mode().IsRegular() {
		return false, err
	}
	f, err := os.Open(path)
	if err != nil {
		return false, err
	}
	defer f.Close()
	begin := make([]byte, 4)
	if _, err := io.ReadFull(f, begin); err != nil {
		return false, nil // whoever reads it says what is wrong
	}
	return string(begin) == "PK\x03\x04" || string(begin) == "PK\x05\x06", nil
}

// Name gives the base name of a source without the endings of tar files.
func Name(path string) (string, error) {
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

// NameOf gives the base name of a source that was named, whatever its volume is called.
func NameOf(named string) (string, error) {
	_, path, err := Split(named)
	if err != nil {
		return "", err
	}
	return Name(path)
}

// Names are those of volumes that are taken.
type Names map[string]bool

// Distinct gives a name that is not taken yet, and takes it.
func (taken Names) Distinct(name string) string {
	free := name
	for n := 2; taken[free]; n++ {
		free = fmt.Sprintf("%s-%d", name, n)
	}
	taken[free] = true
	return free
}

// Input is the source as the store takes it. Source tells the store which files
// to take over from the capture before.
func (s *Source) Input() store.VolumeInput {
	v := store.VolumeInput{Name: s.Name, MountPath: s.MountPath, Open: s.open}
	switch s.Kind {
	case Stdin:
	case Program:
		v.Source = strings.ToValidUTF8(s.Path, "_")
	default:
		v.Source = strings.ToValidUTF8(paths.Resolve(s.Path), "_")
	}
	if s.Kind == Folder {
		v.Open = nil
		v.Folder = &store.FolderInput{Path: s.Path, Options: s.Reading.Options, Reread: s.Reading.Reread}
	}
	return v
}

// open gives the volume's stream, where it is no folder.
func (s *Source) open(ctx context.Context) (io.ReadCloser, error) {
	switch s.Kind {
	case Copy:
		return s.Copy(ctx), nil
	case Program:
		return s.mustHold(s.Copy(ctx))
	case Stdin:
		return s.mustHold(heeding(ctx, s.Stdin))
	}
	f, err := volume.OpenFile(s.Path)
	if err != nil {
		return nil, err
	}
	return s.mustHold(f)
}

// mustHold refuses an empty stream: most likely what should have written it
// failed.
func (s *Source) mustHold(stream io.ReadCloser) (io.ReadCloser, error) {
	in := bufio.NewReader(stream)
	if _, err := in.Peek(1); err == io.EOF && !s.Empty {
		stream.Close()
		return nil, fmt.Errorf("source %s is empty: did what writes it fail? --accept-empty takes it as it is", screen.Line(s.Path))
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
