package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/secrets"
	"github.com/kistarchive/kist/cmd/kist/internal/where"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
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
func (a *app) openOther(c *cli.Context, named string, same crypt.Secret) (*repository, error) {
	files, err := a.otherFiles(c)
	if err != nil {
		return nil, err
	}
	place, err := a.parsePlace(named)
	if err != nil {
		return nil, err
	}
	var none *noRepositoryError
	r, err := a.openPlace(c.Context, place, 0, func(ctx context.Context, at *where.Opened) (*repository, error) {
		return a.unlockOther(ctx, at, files, same)
	})
	if errors.As(err, &none) {
		what := "path"
		if place.InBucket() {
			what = "address"
		}
		none.made = "See that the " + what + " is right; kist setup --replica-of makes a second place"
	}
	if err != nil {
		return nil, err
	}
	return r, nil
}

// namingOther says of what is no other place of the repository where it lies.
func namingOther(err error, other *repository) error {
	if errors.Is(err, store.ErrSamePlace) || errors.Is(err, store.ErrNotReplica) {
		return fmt.Errorf("%s: %w", screen.Line(other.at.String()), err)
	}
	return err
}

// optionsOfOther are those by which another place is opened: warnings name it.
func (a *app) optionsOfOther(path string) store.OpenOptions {
	o := a.openOptions()
	o.Warn = func(err error) { a.Warn("%s: %s.", screen.Printable(path), screen.Text(err.Error())) }
	return o
}

// unlockOther is openOther for a place, which it closes where it fails.
func (a *app) unlockOther(ctx context.Context, at *where.Opened, files secrets.Files, same crypt.Secret) (*repository, error) {
	st, err := a.limited(at.Objects)
	if err != nil {
		letGo(at)
		return nil, err
	}
	found, err := findIn(ctx, at, st)
	if err != nil {
		return nil, err
	}
	path := at.String()
	if files == (secrets.Files{}) && same != nil {
		r, err := found.Open(ctx, same, a.optionsOfOther(path))
		switch {
		case err == nil:
			return &repository{Repository: r, at: at}, nil // the secret is its owner's to wipe
		case !errors.Is(err, store.ErrWrongSecret) && !errors.Is(err, crypt.ErrNoSlot):
			defer letGo(at)
			return nil, explainOpening(ctx, at, err)
		}
	}
	r, err := a.unlock(ctx, found, a.optionsOfOther(path), func(ctx context.Context) (crypt.Secret, bool, error) {
		return a.secrets().OpeningOf(ctx, files, screen.Printable(path))
	})
	if err != nil {
		return nil, fmt.Errorf("%s: %w", screen.Line(path), err)
	}
	return r, nil
}
