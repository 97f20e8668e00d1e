package vault

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// A repository may be in several places, which have the same kist.json. Each but the first has a mark
// with an identity of its own, so that what a machine knows of one is not held against another.

// Place gives the place that it claims to be; "" is the first. Nothing is proved yet.
func (l *Locked) Place() string {
	if len(l.places) == 0 {
		return ""
	}
	place, _ := names.ParsePlace(l.places[0].name)
	return place
}

// provedPlace gives the first of the places whose mark was begun by somebody with the key.
func (v *Vault) provedPlace(ctx context.Context, marks []ownMark) (string, error) {
	for _, m := range marks {
		_, err := openOwn(v, m, func(info storage.Info) (struct{}, error) {
			return struct{}{}, v.checkHeaderAs(ctx, format.Place, info, m.name)
		})
		if err == nil {
			return names.ParsePlace(m.name)
		}
		if !isLost(err) {
			return "", err
		}
	}
	return "", nil
}

// CreateReplica makes another place of a repository in an empty storage, with a key slot of its
// own, and opens it; of the settings its parity, deltas, reserve and host count. It fails with ErrExists where there is a repository.
func CreateReplica(ctx context.Context, st storage.Storage, of *Vault, secret crypt.Secret, o crypt.SlotOptions, s Settings) (*Vault, error) {
	if err := cmp.Or(of.Open(), checkParity(s.Parity), CheckReserve(s.Reserve), checkDeltas(s.Deltas), checkDeltasApart(s.Deltas, of.Apart())); err != nil {
		return nil, err
	}
	if err := checkEmpty(ctx, st); err != nil {
		return nil, err
	}
	root := of.root.Clone()
	keys, err := root.Derive(of.manifest.ID)
	if err != nil {
		return nil, err
	}
	m := *of.manifest
	return build(ctx, &Vault{storage: st, manifest: &m, root: root, keys: keys, place: names.NewPlace()}, secret, o, s)
}

// putPlace puts the marks of an identity.
func (v *Vault) putPlace(ctx context.Context, place, host string) error {
	return putOwn(ctx, v, format.Place, names.PlaceMark(place), &format.PlaceRecord{Made: time.Now().UTC().Truncate(time.Second), Host: host})
}

// GivePlace gives a place that has no identity that can be proved one, as another place than that of a vault: the given
// one, or with "" one never used. It holds from the next opening on, and what is there under that name is put anew. It fails
// with ErrBadOptions where this place has one, and with ErrNotReplica and ErrSamePlace.
func (v *Vault) GivePlace(ctx context.Context, other *Vault, place, host string) (string, error) {
	if place == "" {
		place = names.NewPlace()
	}
	mark := names.PlaceMark(place)
	_, err := names.ParsePlace(mark)
	switch {
	case !v.SameRepository(other):
		return "", ErrNotReplica
	case v.place != "":
		return "", fmt.Errorf("%w: it is a second place already: %s", ErrBadOptions, v.place)
	case err != nil || place == other.place:
		return "", fmt.Errorf("%w: %q is no identity for it", ErrBadOptions, place)
	}
	for _, name := range []string{mark, names.Again(mark)} {
		if err := v.Drop(ctx, name); err != nil {
			return "", err
		}
	}
	if err := v.putPlace(ctx, place, host); err != nil {
		return "", err
	}
	// Nothing but this tells that the two are one folder, as by two mounts.
	if _, err := other.storage.Stat(ctx, mark); err == nil {
		return "", errors.Join(ErrSamePlace, v.Drop(ctx, names.Again(mark)), v.Drop(ctx, mark))
	} else if !errors.Is(err, storage.ErrNotFound) && !errors.Is(err, storage.ErrGone) {
		return "", err
	}
	return place, nil
}

// SameRepository tells whether another vault is of the same repository, be it in another place.
func (v *Vault) SameRepository(other *Vault) bool {
	return v.ID() == other.ID() && v.root.Equal(other.root)
}
