package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/secrets"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// otherFlags say what opens the second of two places of a repository.
func otherFlags() []cli.Flag {
	return []cli.Flag{
		&cli.StringFlag{Name: "other-passphrase-file", Usage: "read the passphrase of OTHER from `FILE` (or KIST_OTHER_PASSPHRASE_FILE)"},
		&cli.StringFlag{Name: "other-key-file", Usage: "open OTHER with the key in `FILE` (or KIST_OTHER_KEY_FILE)"},
	}
}

// otherFiles gives the files that open the other place, as flags or the environment name them.
func (a *app) otherFiles(c *cli.Context) (secrets.Files, error) {
	flags := secrets.Files{Passphrase: c.String("other-passphrase-file"), Key: c.String("other-key-file")}
	if flags != (secrets.Files{}) {
		return flags, flags.Check("--other-passphrase-file", "--other-key-file")
	}
	env := secrets.Files{Passphrase: a.getenv("KIST_OTHER_PASSPHRASE_FILE"), Key: a.getenv("KIST_OTHER_KEY_FILE")}
	return env, env.Check("KIST_OTHER_PASSPHRASE_FILE", "KIST_OTHER_KEY_FILE")
}

// otherPlace names the second place that is configured, or else gives a text.
func (a *app) otherPlace(otherwise string) string {
	if path := a.getenv("KIST_REPLICA"); path != "" {
		return screen.Printable(path)
	}
	return otherwise
}

// mendFrom says how damage is mended from the second place, where one is configured: "" where none is.
func (a *app) mendFrom() string {
	if path := a.getenv("KIST_REPLICA"); path != "" {
		return "kist repair --from " + screen.Printable(path) + " takes from the second place what is whole there."
	}
	return ""
}

// openOther opens another place of a repository: by the files that are named for it, else by a secret that may
// open it as well, which may be nil, else by what a person types.
func (a *app) openOther(c *cli.Context, path string, same crypt.Secret) (*repository, error) {
	files, err := a.otherFiles(c)
	if err != nil {
		return nil, err
	}
	var none *noRepositoryError
	r, err := a.openPlace(c.Context, path, 0, func(ctx context.Context, folder *storage.Folder) (*repository, error) {
		return a.unlockOther(ctx, folder, files, same)
	})
	if errors.As(err, &none) {
		none.made = "See that the path is right; kist setup --replica-of makes a second place"
	}
	if err != nil {
		return nil, err
	}
	return r, nil
}

// optionsOfOther are those by which another place is opened: warnings name it.
func (a *app) optionsOfOther(path string) store.OpenOptions {
	o := a.openOptions()
	o.Warn = func(err error) { a.Warn("%s: %s.", screen.Printable(path), screen.Text(err.Error())) }
	return o
}

// unlockOther is openOther for a folder, which it closes where it fails.
func (a *app) unlockOther(ctx context.Context, folder *storage.Folder, files secrets.Files, same crypt.Secret) (*repository, error) {
	st, err := a.limited(folder)
	if err != nil {
		letGo(folder)
		return nil, err
	}
	path := folder.Path()
	if files == (secrets.Files{}) && same != nil {
		r, err := store.Open(ctx, st, same, a.optionsOfOther(path))
		switch {
		case err == nil:
			return &repository{Repository: r, folder: folder}, nil // the secret is its owner's to wipe
		case !errors.Is(err, store.ErrWrongSecret) && !errors.Is(err, crypt.ErrNoSlot):
			defer letGo(folder)
			return nil, explainOpening(ctx, folder, err)
		}
	}
	r, err := a.unlock(ctx, folder, st, a.optionsOfOther(path), func(ctx context.Context) (crypt.Secret, bool, error) {
		return a.secrets().OpeningOf(ctx, files, screen.Printable(path))
	})
	if err != nil {
		return nil, fmt.Errorf("%s: %w", screen.Line(path), err)
	}
	return r, nil
}
