package secrets

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/crypt"
)

func (s *Source) readPassphrase(path string) (*crypt.Passphrase, error) {
	return s.readPassphraseAnd(path, io.Discard)
}

// readNewPassphrase reads a passphrase that is to open a repository from now on, and says how strong it is.
func (s *Source) readNewPassphrase(path string) (*crypt.Passphrase, error) {
	var text bytes.Buffer
	p, err := s.readPassphraseAnd(path, &text)
	if err == nil {
		s.sayStrength(bytes.TrimRight(text.Bytes(), "\r\n"))
	}
	clear(text.Bytes())
	return p, err
}

// readPassphraseAnd reads a passphrase and copies what it read.
func (s *Source) readPassphraseAnd(path string, copied io.Writer) (*crypt.Passphrase, error) {
	f, err := s.openFile("passphrase file", path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	p, err := crypt.ReadPassphrase(io.TeeReader(f, copied))
	if err != nil {
		return nil, fmt.Errorf("passphrase file %s: %w", screen.Line(path), err)
	}
	return p, nil
}

// ReadKeyFile reads a key file.
func (s *Source) ReadKeyFile(path string) (*crypt.KeyFile, error) {
	f, err := s.openFile("key file", path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	k, err := crypt.ReadKeyFile(f)
	if err != nil {
		return nil, fmt.Errorf("key file %s: %w", screen.Line(path), err)
	}
	return k, nil
}

// openFile opens a file and warns where others may read it.
func (s *Source) openFile(what, path string) (*os.File, error) {
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, &cmdline.MissingError{What: what, Path: path}
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", what, err)
	}
	info, err := f.Stat()
	if err == nil && info.IsDir() {
		err = fmt.Errorf("%s is a folder", screen.Line(path))
	}
	if err != nil {
		f.Close()
		return nil, fmt.Errorf("%s: %w", what, err)
	}
	if info.Mode().IsRegular() && info.Mode().Perm()&0o077 != 0 && runtime.GOOS != "windows" && !s.Warned[path] {
		if s.Warned != nil {
			s.Warned[path] = true
		}
		s.Screen.Warn("%s %s can be read by others (mode %04o): chmod 600 it.", what, screen.Printable(path), info.Mode().Perm())
	}
	return f, nil
}

// makeKeyFile makes a key file, for its owner alone, and never overwrites one.
func makeKeyFile(path string) (*crypt.KeyFile, error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return nil, fmt.Errorf("new key file %s: it is there already, and a key file is never overwritten", screen.Line(path))
	}
	if err != nil {
		return nil, fmt.Errorf("new key file: %w", err)
	}
	key := crypt.NewKeyFile()
	_, err = key.WriteTo(f)
	if err := errors.Join(err, f.Sync(), f.Close(), files.SyncFolder(filepath.Dir(path))); err != nil {
		os.Remove(path)
		return nil, fmt.Errorf("new key file: %w", err)
	}
	return key, nil
}
