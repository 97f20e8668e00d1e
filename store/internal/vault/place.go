package vault

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// A repository may be in several places, which have the same kist.json. Each but the first has a mark
// with an identity of its own, so that what a machine knows of one is not held against another.

// listPlaces lists the marks of places, by their names, of which one at most is expected, and those with settings.
func listPlaces(ctx context.Context, st storage.Storage) ([]storage.Info, error) {
	infos, err := st.List(ctx, names.Place)
	if errors.Is(err, storage.ErrGone) {
		return nil, nil // kist.json was there: a folder of marks may be missing
	}
	infos = slices.DeleteFunc(infos, func(info storage.Info) bool {
		_, bad := names.ParsePlace(info.Name)
		return bad != nil && !names.IsSettings(info.Name)
	})
	slices.SortFunc(infos, func(a, b storage.Info) int { return strings.Compare(a.Name, b.Name) })
	return infos, err
}

// Place gives the place that it claims to be; "" is the first. Nothing is proved yet.
func (l *Locked) Place() string {
	if len(l.places) == 0 {
		return ""
	}
	place, _ := names.ParsePlace(l.places[0].Name)
	return place
}

// mostPlaces is how many marks of places are looked at: whoever can write may put many.
const mostPlaces = 16

// provedPlace gives the first of the places whose mark was begun by somebody with the key.
func (v *Vault) provedPlace(ctx context.Context, marks []storage.Info) (string, error) {
	for _, info := range marks[:min(len(marks), mostPlaces)] {
		err := v.CheckHeader(ctx, format.Place, info)
		if err == nil {
			place, _ := names.ParsePlace(info.Name)
			return place, nil
		}
		if !IsDamage(err) && !errors.Is(err, storage.ErrNotFound) {
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
	slot, err := newSlot(ctx, st, root, of.manifest.ID, secret, o)
	if err != nil {
		return nil, err
	}
	v := &Vault{storage: st, manifest: of.manifest, keys: keys, place: names.NewPlace(), settings: new(changing)}
	// Before kist.json: without it, this place would be taken for the first one.
	err = PutMark(ctx, v, format.Place, names.PlaceMark(v.place), &format.PlaceRecord{Made: time.Now().UTC().Truncate(time.Second), Host: s.Host})
	if err == nil {
		err = s.putChanging(ctx, v)
	}
	if err == nil {
		err = keepReserve(ctx, st, s.Reserve)
	}
	if err == nil {
		m := *of.manifest
		err = putManifest(ctx, st, &m, keys)
	}
	if err != nil {
		return nil, err
	}
	made, err := newVault(st, of.manifest, root, keys, slot)
	if err != nil {
		return nil, err
	}
	made.place, made.settings = v.place, v.settings
	if err := made.SpareWhatOpens(ctx); err != nil {
		made.Close()
		return nil, err
	}
	return made, nil
}

// SameRepository tells whether another vault is of the same repository, be it in another place.
func (v *Vault) SameRepository(other *Vault) bool {
	return v.ID() == other.ID() && v.root.Equal(other.root)
}
