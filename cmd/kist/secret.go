package main

import (
	"context"

	"github.com/kistarchive/kist/cmd/kist/internal/secrets"
	"github.com/kistarchive/kist/crypt"
)

func (a *app) secrets() *secrets.Source {
	return &secrets.Source{Screen: a.Screen, Stdin: a.stdin, Getenv: a.getenv, TTY: a.tty, Warned: a.warned}
}

// secretFiles gives the files named by flags, else by the environment, else the
// systemd credential.
func (a *app) secretFiles() (secrets.Files, error) {
	return a.secrets().Files(secrets.Files{Passphrase: a.shared.passphraseFile, Key: a.shared.keyFile})
}

// openingSecret gives what opens the repository, and whether a person was asked.
func (a *app) openingSecret(ctx context.Context) (secret crypt.Secret, asked bool, err error) {
	files, err := a.secretFiles()
	if err != nil {
		return nil, false, err
	}
	return a.secrets().Opening(ctx, files)
}

// newSecret gives the secret of a new key slot. A key file that is made must not lie in
// the repository.
func (a *app) newSecret(ctx context.Context, files secrets.Files) (secret crypt.Secret, undo func(), err error) {
	if files.Key != "" {
		if err := a.checkOutside(files.Key, false); err != nil {
			return nil, nil, err
		}
	}
	return a.secrets().New(ctx, files)
}
