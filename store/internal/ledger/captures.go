package ledger

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"path"
	"slices"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/remember"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// Capture is a capture as its index file has it, and how it stands.
type Capture struct {
	*format.IndexFile
	File
	Held    bool
	Retired *Retirement // nil: it is not

	Rehearsed *format.RehearsalRecord // the latest; nil: none is known

	// Twins are the hashes of lower generations that say the same capture, and are not an exchange of it.
	Twins []crypt.Digest
}

// Retirement says when and why a capture was retired.
type Retirement struct {
	At     time.Time // the later of the medium's time and the sealed one
	Host   string
	Reason string
}

// File is where a capture was read from.
type File struct {
	Info       storage.Info
	Generation int
}

// ReadAll reads the index files that count.
func (r *Ledger) ReadAll(ctx context.Context) (captures []*Capture, damage []error, err error) {
	for tries := 1; ; tries++ {
		infos, err := r.ListCaptures(ctx)
		if err != nil {
			return nil, nil, err
		}
		captures, damage, again, err := r.Read(ctx, Generations(infos))
		if err != nil || !again || tries == Relists {
			if err == nil {
				r.Recall(ctx, infos, captures)
			}
			return captures, damage, err
		}
	}
}

// ListCaptures lists the index files.
func (r *Ledger) ListCaptures(ctx context.Context) ([]storage.Info, error) {
	infos, err := r.vault.ListBy(ctx, names.Captures, r.unbundle)
	if err == nil {
		r.vault.Copies().Retain(names.Captures, infos)
		r.Untear(ctx, infos)
	}
	return infos, err
}

// FilesOf gives the index files of one capture, of those that were listed.
func FilesOf(infos []storage.Info, id string) []storage.Info {
	return slices.DeleteFunc(slices.Clone(infos), func(info storage.Info) bool {
		got, _, err := names.ParseCapture(info.Name)
		return err != nil || got != id
	})
}

// ListLately lists the index files for who captures, and knows of a capture own that it is there as it is. What others
// put and removed it may learn some days later: see vault.ListLately.
func (r *Ledger) ListLately(ctx context.Context, own string) ([]storage.Info, error) {
	gone := func(name string) bool {
		id, _, err := names.ParseCapture(name)
		known, ok := r.watch.Memory.Find(id)
		return err == nil && ok && known.Kind == remember.Gone
	}
	infos, whole, err := r.vault.ListLately(ctx, names.Captures, own, gone, r.ListCaptures)
	if err == nil && !whole {
		r.vault.Copies().Retain(names.Captures, infos)
		r.Untear(ctx, infos)
	}
	return infos, err
}

// Untear gives index files that are torn and have a second copy the length of that: they were whole once, and are damaged.
func (r *Ledger) Untear(ctx context.Context, infos []storage.Info) {
	for i := range infos {
		if IsTorn(infos[i]) {
			infos[i].Size = max(infos[i].Size, int64(len(r.vault.Spare(ctx, infos[i].Name, format.MaxIndexFile))))
		}
	}
}

// Relists is how often a folder is listed in all if objects that it named are gone:
// others may have taken their place.
const Relists = 3

// IsTorn tells of an index file that is shorter than any can be. A share whose
// server was away may leave one so, of a capture that was never committed: it is
// as good as absent.
func IsTorn(info storage.Info) bool { return info.Size < format.HeaderSize+crypt.Overhead }

// Generations gives the index files of each capture, the highest generation
// first, in the order of the captures' ids, without those that are torn.
func Generations(infos []storage.Info) [][]File {
	var all [][]File
	last := make(map[string]int)
	for _, info := range infos {
		id, generation, err := names.ParseCapture(info.Name)
		if err != nil || IsTorn(info) {
			continue // not ours, or not written
		}
		f := File{Info: info, Generation: generation}
		if i, ok := last[id]; ok {
			all[i] = append(all[i], f)
			continue
		}
		last[id] = len(all)
		all = append(all, []File{f})
	}
	for _, files := range all {
		slices.SortFunc(files, func(a, b File) int { return b.Generation - a.Generation })
	}
	return all
}

// Taken are the numbers of generations whose names are taken, torn ones, too, by the ids of captures.
type Taken map[string][]int

// TakenBy gives the numbers that index files take.
func TakenBy(infos []storage.Info) Taken {
	taken := make(Taken)
	for _, info := range infos {
		if id, generation, err := names.ParseCapture(info.Name); err == nil {
			taken[id] = append(taken[id], generation)
		}
	}
	return taken
}

// Next gives the generation for an index file that is to count in the place of generation counts of a capture.
func (t Taken) Next(id string, counts int) (int, error) {
	next, ok := names.NextNumber(counts, t[id])
	if !ok {
		return 0, fmt.Errorf("%s: no generation is free above it", names.Capture(id, max(counts, 0)))
	}
	return next, nil
}

// HighestGenerations gives the highest generation that there is of each capture.
func HighestGenerations(infos []storage.Info) map[string]int {
	highest := make(map[string]int)
	for _, files := range Generations(infos) {
		id, generation, _ := names.ParseCapture(files[0].Info.Name)
		highest[id] = generation
	}
	return highest
}

// Read reads the index files of captures, several at a time. again tells
// that some are gone since they were listed, so that others may have come.
func (r *Ledger) Read(ctx context.Context, files [][]File) (captures []*Capture, damage []error, again bool, err error) {
	return r.ReadBut(ctx, files, nil)
}

// ReadBut is Read for whoever read some of the index files before, by their names.
func (r *Ledger) ReadBut(ctx context.Context, files [][]File, known map[string]*Capture) (captures []*Capture, damage []error, again bool, err error) {
	err = vault.InOrder(ctx, files, vault.Askers,
		func(ctx context.Context, generations []File) (*captureRead, error) {
			if c := known[generations[0].Info.Name]; c != nil && c.Info == generations[0].Info {
				again := *c
				return &captureRead{capture: &again}, nil
			}
			return r.readCapture(ctx, generations)
		},
		func(_ []File, got *captureRead, err error) error {
			if err != nil {
				return err
			}
			damage = append(damage, got.damage...)
			again = again || got.gone
			if got.capture != nil {
				captures = append(captures, got.capture)
			}
			return nil
		})
	slices.SortFunc(captures, func(a, b *Capture) int {
		return cmp.Or(a.Current().Taken.Compare(b.Current().Taken), cmp.Compare(a.ID, b.ID))
	})
	return captures, damage, again, err
}

// captureRead is what became of reading the index files of a capture.
type captureRead struct {
	capture *Capture
	damage  []error
	gone    bool // one was listed and is not there
}

// readCapture reads the highest generation that is whole: it counts.
func (r *Ledger) readCapture(ctx context.Context, generations []File) (*captureRead, error) {
	got := &captureRead{}
	for i, f := range generations {
		record, err := r.ReadIndexFile(ctx, f.Info)
		switch {
		case err == nil:
			got.capture = &Capture{IndexFile: record, File: f}
			return got, r.findTwins(ctx, got.capture, generations[i+1:])
		case errors.Is(err, storage.ErrNotFound):
			got.gone = true
		case vault.IsDamage(err):
			got.damage = append(got.damage, err)
		default:
			return nil, err
		}
	}
	return got, nil
}

// ReadIndexFile reads one generation of a capture. An error names the object.
func (r *Ledger) ReadIndexFile(ctx context.Context, info storage.Info) (*format.IndexFile, error) {
	f, err := r.openIndexFile(ctx, info)
	if err != nil {
		return nil, &vault.ObjectError{Object: info.Name, Err: err}
	}
	return f, nil
}

func (r *Ledger) openIndexFile(ctx context.Context, info storage.Info) (*format.IndexFile, error) {
	if info.Size > format.MaxIndexFile {
		return nil, fmt.Errorf("%w: %d bytes", format.ErrDamaged, info.Size)
	}
	f, err := vault.ReadKept(ctx, r.vault, info, func(src *bufio.Reader, copied bool) (*format.IndexFile, error) {
		open := format.OpenIndexFile
		if copied {
			open = format.ReopenIndexFile
		}
		return r.decodeIndexFile(src, info, open)
	})
	if err == nil {
		return f, nil
	}
	return vault.TrySpare(ctx, r.vault, info.Name, format.MaxIndexFile, err, func(b []byte) (*format.IndexFile, error) {
		return r.decodeIndexFile(vault.Buffered(bytes.NewReader(b), info), info, format.OpenIndexFile)
	})
}

// Sealed gives the index file of a capture as it lies in the storage, and makes sure that it is that
// capture's. An error names the object.
func (r *Ledger) Sealed(ctx context.Context, c *Capture) ([]byte, error) {
	whole := func(raw []byte) ([]byte, error) {
		f, err := r.decodeIndexFile(bufio.NewReaderSize(bytes.NewReader(raw), format.MaxHeader), c.Info, format.OpenIndexFile)
		if err == nil && f.Hash() != c.Hash() {
			err = fmt.Errorf("%w: it is not what was read before", format.ErrDamaged)
		}
		return raw, err
	}
	raw, err := r.vault.Raw(ctx, c.Info, format.MaxIndexFile)
	if err == nil {
		raw, err = whole(raw)
	}
	if err != nil {
		raw, err = vault.TrySpare(ctx, r.vault, c.Info.Name, format.MaxIndexFile, err, whole)
	}
	if err != nil {
		return nil, &vault.ObjectError{Object: c.Info.Name, Err: err}
	}
	return raw, nil
}

// ReadSpare reads the second copy of a generation of a capture, and gives it as it lies in the storage, too. Whatever is wrong with
// it is damage.
func (r *Ledger) ReadSpare(ctx context.Context, id string, generation int) (*Capture, []byte, error) {
	name := names.Capture(id, generation)
	raw := r.vault.Spare(ctx, name, format.MaxIndexFile)
	info := storage.Info{Name: name, Size: int64(len(raw))}
	f, err := r.decodeIndexFile(vault.Buffered(bytes.NewReader(raw), info), info, format.OpenIndexFile)
	if err != nil {
		return nil, nil, &vault.ObjectError{Object: names.Spare(name), Err: fmt.Errorf("%w: %w", format.ErrDamaged, err)}
	}
	return &Capture{IndexFile: f, File: File{info, generation}}, raw, nil
}

// decodeIndexFile opens an index file by one of the ways there are.
func (r *Ledger) decodeIndexFile(src *bufio.Reader, info storage.Info, open func([]byte, *crypt.Opener) (*format.IndexFile, error)) (*format.IndexFile, error) {
	opener, err := r.vault.Opener(src, format.Capture, path.Base(info.Name))
	if err != nil {
		return nil, err
	}
	sealed, err := io.ReadAll(src)
	if err != nil {
		return nil, err
	}
	f, err := open(sealed, opener)
	if err != nil {
		return nil, err
	}
	if id, _, err := names.ParseCapture(info.Name); err != nil || f.ID != id {
		return nil, fmt.Errorf("%w: it is that of capture %q", format.ErrDamaged, f.ID)
	}
	return f, nil
}

// WriteIndexFile seals and puts the index file of a new capture: the commit.
// It gives the capture an id.
func (r *Ledger) WriteIndexFile(ctx context.Context, f *format.IndexFile) (c *Capture, err error) {
	err = vault.Draw(func() error {
		f.ID = names.NewID(f.Taken)
		c, err = r.WriteGeneration(ctx, f, 0)
		return err
	})
	return c, err
}

// WriteGeneration seals and puts a generation of the index file of a capture.
func (r *Ledger) WriteGeneration(ctx context.Context, f *format.IndexFile, generation int) (*Capture, error) {
	if generation < 0 || generation > names.MaxNumber {
		return nil, fmt.Errorf("writing index file: capture %s has no generation %d", f.ID, generation)
	}
	name := names.Capture(f.ID, generation)
	header, sealer, err := r.vault.Sealer(format.Capture, path.Base(name))
	if err != nil {
		return nil, err
	}
	b := format.SealIndexFile(header, f, sealer)
	if _, err := format.DecodeIndexFile(format.EncodeIndexFile(f)); err != nil {
		return nil, fmt.Errorf("%w: volumes and labels of which no index file can be made: %v", vault.ErrBadOptions, err)
	}
	if len(b) > format.MaxIndexFile {
		return nil, fmt.Errorf("%w: labels and volumes of %d bytes: an index file has at most %d", vault.ErrBadOptions, len(b), format.MaxIndexFile)
	}
	if err := r.vault.PutKept(ctx, name, b); err != nil {
		return nil, fmt.Errorf("writing index file: %w", err)
	}
	return &Capture{IndexFile: f, File: File{storage.Info{Name: name, Size: int64(len(b))}, generation}}, nil
}

// Volume is a volume of a capture.
type Volume struct {
	*format.Volume
	Of *Capture // nil: of one that is not committed
}

// Volume gives a volume of the capture by its number.
func (c *Capture) Volume(i int) *Volume { return &Volume{&c.Volumes[i], c} }

// CaptureIDs gives the ids of the captures that have index files, sorted.
func CaptureIDs(infos []storage.Info) []string {
	var ids []string
	for _, info := range infos {
		if id, _, err := names.ParseCapture(info.Name); err == nil && !IsTorn(info) {
			ids = append(ids, id)
		}
	}
	slices.Sort(ids)
	return slices.Compact(ids)
}
