package vault

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"path"
	"slices"
	"strings"
	"time"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// A place has marks about itself: which one it is, and its settings. Each is there twice, in the one folder that is
// listed whenever a repository is opened: nothing else tells what they say, and all that is known of a place hangs on it.

// ownMark is such a mark, by its name, and where it lies: under its name, and under that of its second copy. One of
// these may be missing.
type ownMark struct {
	name  string
	infos []storage.Info
}

// mostOwn is how many marks of a kind are looked at: whoever can write may put many.
const mostOwn = 1024

// listOwn lists the marks of places, by their names, of which one at most is expected, and those with settings, by
// their numbers.
func listOwn(ctx context.Context, st storage.Storage) (places, settings []ownMark, err error) {
	infos, err := st.List(ctx, names.Place)
	if errors.Is(err, storage.ErrGone) {
		return nil, nil, nil // kist.json was there: a folder of marks may be missing
	}
	slices.SortFunc(infos, func(a, b storage.Info) int { return strings.Compare(a.Name, b.Name) })
	at := make(map[string]int)
	var all []ownMark
	for _, info := range infos {
		name, ok := names.ParseOwn(info.Name)
		if !ok {
			continue
		}
		i, known := at[name]
		if !known {
			i = len(all)
			at[name], all = i, append(all, ownMark{name: name})
		}
		all[i].infos = append(all[i].infos, info)
	}
	for _, m := range all {
		if names.IsSettings(m.name) {
			settings = append(settings, m)
		} else {
			places = append(places, m)
		}
	}
	slices.SortFunc(settings, func(a, b ownMark) int { return cmp.Compare(numberOf(a), numberOf(b)) })
	return places[:min(len(places), mostOwn)], settings[max(0, len(settings)-mostOwn):], err
}

func numberOf(m ownMark) int {
	n, _ := names.ParseSettings(m.name)
	return n
}

// isLost tells of an error that one copy of a mark can't be read, and that another one may be.
func isLost(err error) bool { return fetch.MayHeal(err) || errors.Is(err, storage.ErrNotFound) }

// openOwn opens the first copy of a mark that can be, and notes what was wrong with the one before.
func openOwn[T any](v *Vault, m ownMark, open func(storage.Info) (T, error)) (value T, err error) {
	var cause error
	if m.infos[0].Name != m.name {
		cause = fmt.Errorf("%w: it is gone", format.ErrDamaged)
	}
	for _, info := range m.infos {
		if value, err = open(info); err == nil || !isLost(err) {
			break
		}
		cause = cmp.Or(cause, err)
	}
	if err == nil && cause != nil {
		v.healed.note(m.name, cause)
	}
	return value, err
}

// readOwn reads one copy of a mark.
func readOwn[R format.Record](ctx context.Context, v *Vault, kind format.ObjectKind, m ownMark, info storage.Info) (*R, error) {
	record, err := openMarkAs[R](ctx, v, kind, info, path.Base(m.name))
	if err != nil {
		return nil, &ObjectError{Object: info.Name, Err: err}
	}
	return record, nil
}

// putOwn seals a record and puts it twice, under a name that nothing has that counts.
func putOwn[R format.Record](ctx context.Context, v *Vault, kind format.ObjectKind, name string, record *R) error {
	header, sealer, err := v.Sealer(kind, path.Base(name))
	if err != nil {
		return err
	}
	b := format.SealMark(header, record, sealer)
	for _, name := range []string{name, names.Again(name)} {
		if err := v.PutKept(ctx, name, b); err != nil {
			return fmt.Errorf("writing %s: %w", name, err)
		}
	}
	return nil
}

// OwnDamage is a mark of this place about itself of which a copy can't be read, or is gone.
type OwnDamage struct {
	Object string
	Err    error
	Whole  bool // the other copy is whole, and counts
	Stray  bool // another mark counts, so that nothing goes by this one
}

// ownState is how the marks of one kind are.
type ownState struct {
	counts *ownMark // nil: none can be read
	whole  []byte   // of counts: what both copies should be; nil: neither is whole
	bad    []OwnDamage
	lacks  bool // counts has no second copy
	strays []ownMark
}

// CheckOwn reads the marks of this place about itself, all copies of them.
func (v *Vault) CheckOwn(ctx context.Context) ([]OwnDamage, error) {
	places, settings, err := listOwn(ctx, v.storage)
	if err != nil {
		return nil, err
	}
	one, err := v.checkPlace(ctx, places)
	if err != nil {
		return nil, err
	}
	two, err := checkOwn[format.SettingsRecord](ctx, v, format.Settings, settings, highestWhole)
	if err != nil {
		return nil, err
	}
	return slices.Concat(one.bad, two.bad), nil
}

func (v *Vault) checkPlace(ctx context.Context, places []ownMark) (*ownState, error) {
	return checkOwn[format.PlaceRecord](ctx, v, format.Place, places, func(places []ownMark, _ map[string]bool) int {
		return slices.IndexFunc(places, func(m ownMark) bool { return m.name == names.PlaceMark(v.place) })
	})
}

// highestWhole gives the settings that count.
func highestWhole(settings []ownMark, whole map[string]bool) int {
	for i, m := range slices.Backward(settings) {
		if whole[m.name] {
			return i
		}
	}
	return -1
}

func checkOwn[R format.Record](ctx context.Context, v *Vault, kind format.ObjectKind, all []ownMark, counts func([]ownMark, map[string]bool) int) (*ownState, error) {
	s, bare := &ownState{}, *v
	bare.kept = nil                                                // a copy on this machine tells nothing of what is there
	causes, whole := make(map[string]error), make(map[string]bool) // by copies, by marks
	for _, m := range all {
		for _, info := range m.infos {
			_, err := readOwn[R](ctx, &bare, kind, m, info)
			if err != nil && !isLost(err) {
				return nil, err
			}
			causes[info.Name] = err
			whole[m.name] = whole[m.name] || err == nil
		}
	}
	at := counts(all, whole)
	if at >= 0 {
		s.counts = &all[at]
	}
	for i, m := range all {
		for _, info := range m.infos {
			if err := causes[info.Name]; err != nil {
				s.bad = append(s.bad, OwnDamage{Object: info.Name, Err: err, Whole: whole[m.name], Stray: at >= 0 && i != at})
			} else if i == at && s.whole == nil {
				b, err := readSized(ctx, v.storage, info, format.MaxMark)
				if err != nil && !isLost(err) {
					return nil, err
				}
				s.whole = b
			}
		}
		if m.infos[0].Name != m.name && (at < 0 || i == at) { // else removing it was stopped
			s.bad = append(s.bad, OwnDamage{Object: m.name, Err: fmt.Errorf("%w: it is gone", format.ErrDamaged), Whole: whole[m.name]})
		}
		if !whole[m.name] && i != at {
			s.strays = append(s.strays, m)
		}
		s.lacks = s.lacks || i == at && len(m.infos) == 1 && m.infos[0].Name == m.name
	}
	return s, nil
}

// MendOwn puts the marks of this place about itself anew where a copy of them is damaged or missing, and gives the
// names of what was damaged. Of marks that can't be read it removes those beside one that counts; where none does it
// gives their names, and removes them only if they are given up.
func (v *Vault) MendOwn(ctx context.Context, host string, giveUp bool) (renewed, removed, left []string, err error) {
	places, settings, err := listOwn(ctx, v.storage)
	if err != nil {
		return nil, nil, nil, err
	}
	one, err := v.checkPlace(ctx, places)
	if err != nil {
		return nil, nil, nil, err
	}
	if one.counts != nil && one.whole == nil {
		// Its header opened, and its name is all that counts of it.
		if err := v.sealAgain(ctx, one, &format.PlaceRecord{Made: time.Now().UTC().Truncate(time.Second), Host: host}); err != nil {
			return nil, nil, nil, err
		}
	}
	two, err := checkOwn[format.SettingsRecord](ctx, v, format.Settings, settings, highestWhole)
	if err != nil {
		return nil, nil, nil, err
	}
	for _, s := range []*ownState{one, two} {
		again, gone, err := v.mendOwn(ctx, s, giveUp)
		renewed, removed = append(renewed, again...), append(removed, gone...)
		if err != nil {
			return renewed, removed, left, err
		}
		if s.counts == nil {
			for _, d := range s.bad {
				left = append(left, d.Object)
			}
		}
	}
	return renewed, removed, left, nil
}

// sealAgain makes bytes for the mark of this place.
func (v *Vault) sealAgain(ctx context.Context, s *ownState, record *format.PlaceRecord) error {
	header, sealer, err := v.Sealer(format.Place, path.Base(s.counts.name))
	if err == nil {
		s.whole = format.SealMark(header, record, sealer)
	}
	return err
}

func (v *Vault) mendOwn(ctx context.Context, s *ownState, giveUp bool) (renewed, removed []string, err error) {
	if s.counts != nil && (s.lacks || slices.ContainsFunc(s.bad, func(d OwnDamage) bool { return !d.Stray })) {
		// The second copy first, where the other may be the one that is whole: at every moment one of them is.
		for _, name := range v.worstFirst(s) {
			if err := v.putOver(ctx, name, s.whole); err != nil {
				return renewed, removed, err
			}
		}
		for _, d := range s.bad {
			if !d.Stray {
				renewed = append(renewed, d.Object)
			}
		}
	}
	if s.counts == nil && !giveUp {
		return renewed, removed, nil
	}
	for _, m := range s.strays {
		for _, info := range m.infos {
			if err := v.Drop(ctx, info.Name); err != nil {
				return renewed, removed, err
			}
			removed = append(removed, info.Name)
		}
	}
	return renewed, removed, nil
}

// worstFirst gives the names of both copies of what counts, one that is damaged before one that may be whole.
func (v *Vault) worstFirst(s *ownState) []string {
	both := []string{s.counts.name, names.Again(s.counts.name)}
	bad := func(name string) bool {
		return slices.ContainsFunc(s.bad, func(d OwnDamage) bool { return d.Object == name })
	}
	if bad(both[1]) && !bad(both[0]) {
		slices.Reverse(both)
	}
	return both
}
