package main

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/secrets"
	"github.com/kistarchive/kist/cmd/kist/internal/where"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// setupReplica makes a second place of a repository.
func (a *app) setupReplica(c *cli.Context, place where.Place, files secrets.Files, parity int, deltas store.Deltas) error {
	for _, flag := range []string{"chunk-average", "grace", "recheck", "apart", "stored"} {
		if c.IsSet(flag) {
			return usagef("setup: --%s and --replica-of are both given: a second place has the settings of the first", flag)
		}
	}
	same, err := a.existingSecret(c.Context, files)
	if err != nil {
		return err
	}
	defer wipe(same)
	other, err := a.openOther(c, c.String("replica-of"), same)
	if err != nil {
		return err
	}
	defer other.Close()
	if !c.IsSet("deltas") {
		if deltas, err = a.deltasLike(c.Context, other, deltas); err != nil {
			return err
		}
	}
	o := store.ReplicaOptions{Slot: crypt.SlotOptions{Label: c.String("label"), Made: time.Now()}, Parity: parity, Deltas: deltas, Host: hostName(), Reserve: store.DefaultReserve}
	r, err := a.create(c, place, files, func(ctx context.Context, st storage.Storage, secret crypt.Secret) (*store.Repository, error) {
		return store.CreateReplica(ctx, st, other.Repository, secret, o)
	})
	if err != nil {
		return err
	}
	defer r.Close()
	if err := a.printSetup(r, files, parity, deltas); err != nil {
		return err
	}
	a.sayOwnSettings(c, deltas, r.Apart())
	a.Say("It has no captures yet: kist replicate copies them.")
	return nil
}

// deltasLike gives the deltas that another place has, or what is given where nothing tells.
func (a *app) deltasLike(ctx context.Context, other *repository, unknown store.Deltas) (store.Deltas, error) {
	lost, err := other.LostSettings(ctx)
	if err != nil || len(lost) > 0 && other.Apart() == store.Together {
		return unknown, err
	}
	return other.Deltas(ctx)
}

// sayOwnSettings says what was chosen for a second place by nobody.
func (a *app) sayOwnSettings(c *cli.Context, deltas store.Deltas, apart store.Apart) {
	if deltas == store.DeltasOff && apart == store.Together && !c.IsSet("deltas") {
		a.Say("Deltas are off, as in the first place; kist settings --deltas changes it here.")
	}
	if !c.IsSet("parity") {
		a.Say("It has no parity of its own; kist settings --parity changes it here.")
	}
}

// existingSecret gives the secret in the file that is named for the new place, if there is one that can be read
// before: it may open the other place as well.
func (a *app) existingSecret(ctx context.Context, files secrets.Files) (crypt.Secret, error) {
	name := files.Key
	if name == "" {
		name = files.Passphrase
	}
	if name == "" {
		return nil, nil
	}
	info, err := os.Stat(name)
	if files.Passphrase != "" && errors.Is(err, fs.ErrNotExist) {
		return nil, &cmdline.MissingError{What: "passphrase file", Path: name}
	}
	if err != nil || !info.Mode().IsRegular() {
		return nil, nil // it is made, or may be read only once
	}
	secret, _, err := a.secrets().Opening(ctx, files)
	return secret, err
}
