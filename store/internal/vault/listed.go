package vault

import (
	"cmp"
	"context"
	"errors"
	"maps"
	"path"
	"slices"
	"strings"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// List lists a folder for whoever only looks, or writes what is new. Where copies are kept on
// this machine, so is what was listed: of an object that was, the length and the time are not
// asked for again, as over a share each takes a call. What exists is asked for each time.
//
// So an object that was cut short since it was listed is not noticed. Whoever verifies, mends or
// removes has no copies (Afresh), and asks.
func (v *Vault) List(ctx context.Context, folder string) ([]storage.Info, error) {
	return v.ListBy(ctx, folder, func(context.Context, []string) map[string]storage.Info { return nil })
}

// ListBy is List for whoever knows of a way to learn of objects that were not listed before. tell is
// given their names, and those that it does not tell of are asked for.
func (v *Vault) ListBy(ctx context.Context, folder string, tell func(ctx context.Context, fresh []string) map[string]storage.Info) ([]storage.Info, error) {
	namer, ok := v.storage.(storage.Namer)
	if !ok || v.kept == nil {
		return v.storage.List(ctx, folder)
	}
	there, err := namer.Names(ctx, folder)
	if errors.Is(err, errors.ErrUnsupported) {
		return v.storage.List(ctx, folder)
	}
	if err != nil {
		return nil, err
	}
	before := v.listed(folder)
	infos := make([]storage.Info, 0, len(there))
	var fresh []string
	for _, name := range there {
		if info, ok := before[name]; ok && !isCounted(name) {
			infos = append(infos, info)
		} else {
			fresh = append(fresh, name)
		}
	}
	told := tell(ctx, fresh)
	ask := slices.DeleteFunc(slices.Clone(fresh), func(name string) bool { _, ok := told[name]; return ok })
	infos = slices.AppendSeq(infos, maps.Values(told))
	err = InOrder(ctx, ask, Askers, v.storage.Stat, func(_ string, info storage.Info, err error) error {
		if errors.Is(err, storage.ErrNotFound) {
			return nil // removed since it was listed
		}
		infos = append(infos, info)
		return err
	})
	if err != nil {
		return nil, err
	}
	slices.SortFunc(infos, func(a, b storage.Info) int { return strings.Compare(a.Name, b.Name) })
	same := func(info storage.Info) bool {
		known, ok := before[info.Name]
		return ok && known.Size == info.Size && known.Modified.Equal(info.Modified)
	}
	if len(infos) < len(before) || slices.ContainsFunc(infos, func(info storage.Info) bool { return !same(info) }) {
		v.noteListed(folder, infos)
	}
	return infos, nil
}

// Between two listings of a folder as a whole, names behind some may be listed alone, for so long and after so long: names
// begin with a minute, and an object comes some hours behind that at the most, but for what is brought from elsewhere.
const (
	wholeAgain = 7 * 24 * time.Hour
	lateNames  = 24 * time.Hour
)

// ListLately is List for a folder whose names begin with minutes: where the storage can list from a name on, what was listed before
// and may have gone since is still among it, for up to a week; and what came since under a name of more than a day before is not, for as long.
// gone tells of names of those that are known to have gone. An object own is known to be there: where it is not, or is "", all is
// listed, by list. whole tells that all was.
func (v *Vault) ListLately(ctx context.Context, folder, own string, gone func(name string) bool, list func(context.Context) ([]storage.Info, error)) (infos []storage.Info, whole bool, err error) {
	note := path.Join(ListedNotes, folder+"-lately")
	lister, ok := v.storage.(storage.AfterLister)
	if !ok || v.kept == nil {
		infos, err = list(ctx)
		return infos, true, err
	}
	if own != "" {
		infos, err = v.listLately(ctx, lister, note, folder, own, gone)
		if infos != nil || err != nil {
			return infos, false, err
		}
	}
	now := time.Now()
	if infos, err = list(ctx); err == nil {
		v.putLately(note, folder, infos, now.UnixNano(), now)
	}
	return infos, true, err
}

// listLately lists what came since the listing that was noted, and gives all with it; nil where it takes more to know that.
func (v *Vault) listLately(ctx context.Context, lister storage.AfterLister, name, folder, own string, gone func(string) bool) ([]storage.Info, error) {
	note, now := Note[format.ListedRecord](v, format.Listed, name), time.Now()
	if note == nil || !note.Whole() || now.Sub(time.Unix(0, note.All)).Abs() >= wholeAgain {
		return nil, nil
	}
	from := path.Join(folder, min(names.Minute(own), names.MinuteOf(time.Unix(0, note.Later).Add(-lateNames))))
	since, err := lister.ListAfter(ctx, folder, from)
	if errors.Is(err, errors.ErrUnsupported) {
		return nil, nil
	}
	own = path.Join(folder, own)
	if err != nil || !slices.ContainsFunc(since, func(i storage.Info) bool { return i.Name == own }) {
		return nil, err // it may be another state of the repository than that which was listed
	}
	before := slices.DeleteFunc(infosOf(note, folder), func(i storage.Info) bool { return i.Name > from || gone(i.Name) })
	infos := append(before, since...)
	v.putLately(name, folder, infos, note.All, now)
	return infos, nil
}

// putLately notes what was listed, when all was, and when what came since.
func (v *Vault) putLately(name, folder string, infos []storage.Info, all int64, later time.Time) {
	record := recordOf(folder, infos)
	record.All, record.Later = all, later.UnixNano()
	PutNote(v, format.Listed, name, record)
}

// listedName is where it is kept what was listed of a folder.
func listedName(folder string) string { return path.Join(ListedNotes, cmp.Or(folder, "all")) }

// ListedNotes is where it is kept, among the copies, what was listed.
const ListedNotes = "listed"

func (v *Vault) listed(folder string) map[string]storage.Info {
	record := Note[format.ListedRecord](v, format.Listed, listedName(folder))
	if record == nil || !record.Whole() {
		return nil
	}
	known := make(map[string]storage.Info, len(record.Names))
	for _, info := range infosOf(record, folder) {
		known[info.Name] = info
	}
	return known
}

func infosOf(record *format.ListedRecord, folder string) []storage.Info {
	infos := make([]storage.Info, len(record.Names))
	for i, name := range record.Names {
		infos[i] = storage.Info{Name: path.Join(folder, name), Size: int64(record.Sizes[i]), Modified: time.Unix(0, record.Times[i])}
	}
	return infos
}

func (v *Vault) noteListed(folder string, infos []storage.Info) {
	PutNote(v, format.Listed, listedName(folder), recordOf(folder, infos))
}

// recordOf leaves out what is too short for any object: a share whose server was away may show
// one so that is whole later.
func recordOf(folder string, infos []storage.Info) *format.ListedRecord {
	record := &format.ListedRecord{Names: []string{}, Sizes: []uint64{}, Times: []int64{}}
	for _, info := range infos {
		if info.Size >= format.HeaderSize+crypt.Overhead {
			record.Names = append(record.Names, strings.TrimPrefix(info.Name, folder+"/"))
			record.Sizes = append(record.Sizes, uint64(info.Size))
			record.Times = append(record.Times, info.Modified.UnixNano())
		}
	}
	return record
}
