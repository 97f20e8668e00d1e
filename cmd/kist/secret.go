package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/crypt"
)

// secretFiles are where a secret may be read from: at most one of them.
type secretFiles struct{ passphrase, key string }

var errNoSecret = usagef("no passphrase: give --passphrase-file FILE or --key-file FILE, set KIST_PASSPHRASE_FILE or KIST_KEY_FILE, pass the systemd credential kist.passphrase, or run kist in a terminal")

// files gives the files named by flags, else by the environment, else the
// systemd credential.
func (a *app) secretFiles() (secretFiles, error) {
	flags := secretFiles{a.shared.passphraseFile, a.shared.keyFile}
	if flags != (secretFiles{}) {
		return flags, flags.check("--passphrase-file", "--key-file")
	}
	env := secretFiles{a.getenv("KIST_PASSPHRASE_FILE"), a.getenv("KIST_KEY_FILE")}
	if env != (secretFiles{}) {
		return env, env.check("KIST_PASSPHRASE_FILE", "KIST_KEY_FILE")
	}
	if dir := a.getenv("CREDENTIALS_DIRECTORY"); dir != "" {
		path := filepath.Join(dir, "kist.passphrase")
		if _, err := os.Stat(path); err == nil {
			return secretFiles{passphrase: path}, nil
		}
	}
	return secretFiles{}, nil
}

func (f secretFiles) check(passphrase, key string) error {
	if f.passphrase != "" && f.key != "" {
		return usagef("%s and %s are both given: one of them opens the repository", passphrase, key)
	}
	return nil
}

// openingSecret gives what opens the repository, and whether a person was asked.
func (a *app) openingSecret(ctx context.Context) (secret crypt.Secret, asked bool, err error) {
	files, err := a.secretFiles()
	switch {
	case err != nil:
		return nil, false, err
	case files.key != "":
		secret, err = a.readKeyFile(files.key)
	case files.passphrase != "":
		secret, err = a.readPassphrase(files.passphrase)
	default:
		asked = true
		secret, err = a.ask(ctx, "Passphrase: ")
	}
	if err != nil {
		return nil, asked, err // and no secret that is a nil pointer
	}
	return secret, asked, nil
}

// newSecret gives the secret of a new key slot: a key file, which is made, a
// passphrase from a file, or one that is asked for twice. undo removes a key
// file that was made.
func (a *app) newSecret(ctx context.Context, files secretFiles) (secret crypt.Secret, undo func(), err error) {
	undo = func() {}
	switch {
	case files.key != "":
		if err := a.checkOutside(files.key, false); err != nil {
			return nil, nil, err
		}
		secret, err = makeKeyFile(files.key)
		undo = func() { os.Remove(files.key) }
	case files.passphrase != "":
		secret, err = a.readPassphrase(files.passphrase)
	default:
		secret, err = a.askTwice(ctx)
	}
	if err != nil {
		return nil, nil, err
	}
	return secret, undo, nil
}

func (a *app) readPassphrase(path string) (*crypt.Passphrase, error) {
	f, err := a.openSecretFile("passphrase file", path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	p, err := crypt.ReadPassphrase(f)
	if err != nil {
		return nil, fmt.Errorf("passphrase file %s: %w", screen.Line(path), err)
	}
	return p, nil
}

func (a *app) readKeyFile(path string) (*crypt.KeyFile, error) {
	f, err := a.openSecretFile("key file", path)
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

// openSecretFile opens a file and warns where others may read it.
func (a *app) openSecretFile(what, path string) (*os.File, error) {
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, missing(fmt.Errorf("%s %s is not there", what, screen.Line(path)))
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
	if info.Mode().IsRegular() && info.Mode().Perm()&0o077 != 0 && runtime.GOOS != "windows" {
		a.Warn("%s %s can be read by others (mode %04o): chmod 600 it.", what, screen.Printable(path), info.Mode().Perm())
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
