package spool

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// Folders of a spool, and of all of them.
const (
	captures = "repository"
	state    = "state"
	sent     = "sent"
	tries    = "tries"
	places   = "places"
)

// Spools are all spools of a machine, in a folder that is made when the first one is.
type Spools struct{ Dir string }

// place says which repository was found at a path.
type place struct {
	Path       string `json:"path"`
	Repository string `json:"repository"`
}

func (s Spools) placeFile(path string) string {
	sum := sha256.Sum256([]byte(path))
	return filepath.Join(s.Dir, places, hex.EncodeToString(sum[:8])+".json")
}

// Note keeps in mind which repository lies at a path, so that its spool is found while it is away.
func (s Spools) Note(path, repository string) error {
	if known, err := s.At(path); err == nil && known == repository {
		return nil
	}
	if err := s.check(true); err != nil {
		return err
	}
	if err := makeFolder(filepath.Join(s.Dir, places)); err != nil {
		return err
	}
	if err := s.keepEarlier(path); err != nil {
		return err
	}
	return files.Write(s.placeFile(path), true, func(w io.Writer) error {
		return files.EncodeExact(w, place{path, repository})
	})
}

// At gives the repository that was last found at a path. It fails with fs.ErrNotExist where none was.
func (s Spools) At(path string) (repository string, err error) {
	if err := s.check(false); err != nil {
		return "", err
	}
	b, err := files.ReadMine(s.placeFile(path), 64<<10)
	if err != nil {
		return "", err
	}
	var p place
	if err := files.UnmarshalExact(b, &p); err != nil || p.Path != path || !isID(p.Repository) {
		return "", fmt.Errorf("%s: not a note of where a repository is (%w)", s.placeFile(path), errors.Join(err, fs.ErrNotExist))
	}
	return p.Repository, nil
}

// isID tells whether a text may be a folder's name here.
func isID(text string) bool {
	return text != "" && strings.Trim(text, "0123456789abcdefghijklmnopqrstuvwxyz-") == ""
}

// Of gives the spool of a repository, be it made or not.
func (s Spools) Of(repository string) (*Spool, error) {
	if !isID(repository) {
		return nil, fmt.Errorf("%q is no identity of a repository", repository)
	}
	return &Spool{filepath.Join(s.Dir, repository)}, nil
}

// Waiting gives the repositories of which captures wait.
func (s Spools) Waiting() (repositories []string, err error) {
	entries, err := os.ReadDir(s.Dir)
	if isNone(err) {
		return nil, nil
	}
	for _, e := range entries {
		if !e.IsDir() || !isID(e.Name()) || e.Name() == places {
			continue
		}
		if ids, _ := (&Spool{filepath.Join(s.Dir, e.Name())}).Waiting(); len(ids) > 0 {
			repositories = append(repositories, e.Name())
		}
	}
	return repositories, err
}

// Spool is where captures of one repository wait.
type Spool struct{ Dir string }

// State is the folder for what is known of the spool's captures.
func (s *Spool) State() string { return filepath.Join(s.Dir, state) }

// Open opens the folder that holds the captures, and makes it first if that is asked for. Without, it fails with
// fs.ErrNotExist where there is none.
func (s *Spool) Open(create bool) (*storage.Folder, error) {
	if err := s.check(create); err != nil {
		return nil, err
	}
	dir := filepath.Join(s.Dir, captures)
	if !create {
		f, err := storage.OpenFolder(dir)
		if isNone(err) {
			err = fmt.Errorf("%w: %w", fs.ErrNotExist, err)
		}
		return f, err
	}
	for _, folder := range []string{s.Dir, s.State(), filepath.Join(s.Dir, sent), filepath.Join(s.Dir, tries)} {
		if err := makeFolder(folder); err != nil {
			return nil, err
		}
	}
	f, err := storage.CreateFolder(dir, store.Folders()...)
	if errors.Is(err, storage.ErrNotEmpty) { // it was made before
		f, err = storage.OpenFolder(dir)
	}
	return f, err
}

// isNone tells whether an error says that no folder is there, be it that a file is where one would lie.
func isNone(err error) bool {
	return errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ENOTDIR)
}

// Waiting gives the ids of captures that were not sent, oldest first, without opening anything.
func (s *Spool) Waiting() (ids []string, err error) {
	if err := s.check(false); err != nil {
		return nil, err
	}
	entries, err := os.ReadDir(filepath.Join(s.Dir, captures, "captures"))
	if isNone(err) {
		return nil, nil
	}
	for _, e := range entries {
		id, _, _ := strings.Cut(e.Name(), ".")
		if e.Type().IsRegular() && isID(id) && !slices.Contains(ids, id) && !s.IsSent(id) {
			ids = append(ids, id)
		}
	}
	return ids, err
}

// IsEmpty tells whether there is no capture in it, sent or not.
func (s *Spool) IsEmpty() bool {
	entries, err := os.ReadDir(filepath.Join(s.Dir, captures, "captures"))
	return err != nil || len(entries) == 0
}

// IsSent tells whether a capture was sent.
func (s *Spool) IsSent(id string) bool {
	_, err := os.Lstat(filepath.Join(s.Dir, sent, id))
	return err == nil
}

// MarkSent notes that a capture was sent, for good once it returns.
func (s *Spool) MarkSent(id string) error {
	err := files.Write(filepath.Join(s.Dir, sent, id), true, func(io.Writer) error { return nil })
	if err != nil {
		return fmt.Errorf("noting that capture %s was sent: %w", id, err)
	}
	return nil
}

// Try notes that a capture begins to be sent, for good once it returns, and gives how often that was noted before.
func (s *Spool) Try(id string) (tried int, err error) {
	path := filepath.Join(s.Dir, tries, id)
	b, err := files.ReadMine(path, maxTry)
	if err == nil {
		tried, err = strconv.Atoi(strings.TrimSpace(string(b)))
	}
	if errors.Is(err, fs.ErrNotExist) {
		err = makeFolder(filepath.Join(s.Dir, tries)) // it may be missing where an earlier release made the spool
	}
	if err == nil {
		err = files.Write(path, true, func(w io.Writer) error {
			_, err := fmt.Fprintln(w, tried+1)
			return err
		})
	}
	if err != nil {
		return 0, fmt.Errorf("noting that capture %s is sent: %w", id, err)
	}
	return tried, nil
}

// maxTry is more than any note of tries has.
const maxTry = 64

// Forget removes the notes of captures that are not in the spool any more.
func (s *Spool) Forget(there func(id string) bool) (err error) {
	for _, folder := range []string{sent, tries} {
		entries, failed := os.ReadDir(filepath.Join(s.Dir, folder))
		if !isNone(failed) {
			err = errors.Join(err, failed)
		}
		for _, e := range entries {
			if isID(e.Name()) && !there(e.Name()) {
				err = errors.Join(err, os.Remove(filepath.Join(s.Dir, folder, e.Name())))
			}
		}
	}
	return err
}

// Size gives how many bytes of files the spool has.
func (s *Spool) Size() (n int64) {
	filepath.WalkDir(s.Dir, func(_ string, d fs.DirEntry, err error) error {
		if err == nil && d.Type().IsRegular() {
			if info, err := d.Info(); err == nil {
				n += info.Size()
			}
		}
		return nil // what goes meanwhile takes nothing
	})
	return n
}

func makeFolder(path string) error {
	if err := os.MkdirAll(path, 0o700); err != nil {
		return err
	}
	return files.SyncFolder(filepath.Dir(path))
}
