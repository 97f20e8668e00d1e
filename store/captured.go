package store

import (
	"bufio"
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
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// captured is a capture as its index file has it, and how it stands.
type captured struct {
	*format.IndexFile
	indexFile
	held    bool
	retired *retired // nil: it is not
}

// retired says when and why a capture was retired.
type retired struct {
	At     time.Time // the later of the medium's time and the sealed one
	Host   string
	Reason string
}

// indexFile is where a capture was read from.
type indexFile struct {
	info       storage.Info
	generation int
}

// readAllCaptures reads the index files that count.
func (r *Repository) readAllCaptures(ctx context.Context) (captures []*captured, damage []error, err error) {
	for tries := 1; ; tries++ {
		infos, err := r.listCaptures(ctx)
		if err != nil {
			return nil, nil, err
		}
		captures, damage, again, err := r.readCaptures(ctx, generations(infos))
		if err != nil || !again || tries == relists {
			if err == nil {
				r.recall(ctx, infos, captures)
			}
			return captures, damage, err
		}
	}
}

// listCaptures lists the index files.
func (r *Repository) listCaptures(ctx context.Context) ([]storage.Info, error) {
	infos, err := r.storage.List(ctx, names.Captures)
	if err == nil {
		r.vault.Copies().Retain(names.Captures, infos)
	}
	return infos, err
}

// relists is how often a folder is listed in all if objects that it named are gone:
// others may have taken their place.
const relists = 3

// isTorn tells of an index file that is shorter than any can be. A share whose
// server was away may leave one so, of a capture that was never committed: it is
// as good as absent.
func isTorn(info storage.Info) bool { return info.Size < format.HeaderSize+crypt.Overhead }

// generations gives the index files of each capture, the highest generation
// first, in the order of the captures' ids, without those that are torn.
func generations(infos []storage.Info) [][]indexFile {
	var all [][]indexFile
	last := make(map[string]int)
	for _, info := range infos {
		id, generation, err := names.ParseCapture(info.Name)
		if err != nil || isTorn(info) {
			continue // not ours, or not written
		}
		f := indexFile{info: info, generation: generation}
		if i, ok := last[id]; ok {
			all[i] = append(all[i], f)
			continue
		}
		last[id] = len(all)
		all = append(all, []indexFile{f})
	}
	for _, files := range all {
		slices.SortFunc(files, func(a, b indexFile) int { return b.generation - a.generation })
	}
	return all
}

// highestGenerations gives the highest generation that there is of each capture.
func highestGenerations(infos []storage.Info) map[string]int {
	highest := make(map[string]int)
	for _, files := range generations(infos) {
		id, generation, _ := names.ParseCapture(files[0].info.Name)
		highest[id] = generation
	}
	return highest
}

// readCaptures reads the index files of captures, several at a time. again tells
// that some are gone since they were listed, so that others may have come.
func (r *Repository) readCaptures(ctx context.Context, files [][]indexFile) (captures []*captured, damage []error, again bool, err error) {
	err = vault.InOrder(ctx, files, vault.Askers,
		func(ctx context.Context, generations []indexFile) (*captureRead, error) {
			return r.readCapture(ctx, generations)
		},
		func(_ []indexFile, got *captureRead, err error) error {
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
	slices.SortFunc(captures, func(a, b *captured) int {
		return cmp.Or(a.Taken.Compare(b.Taken), cmp.Compare(a.ID, b.ID))
	})
	return captures, damage, again, err
}

// captureRead is what became of reading the index files of a capture.
type captureRead struct {
	capture *captured
	damage  []error
	gone    bool // one was listed and is not there
}

// readCapture reads the highest generation that is whole: it counts.
func (r *Repository) readCapture(ctx context.Context, generations []indexFile) (*captureRead, error) {
	got := &captureRead{}
	for _, f := range generations {
		record, err := r.readIndexFile(ctx, f.info)
		switch {
		case err == nil:
			got.capture = &captured{IndexFile: record, indexFile: f}
			return got, nil
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

func (r *Repository) readIndexFile(ctx context.Context, info storage.Info) (*format.IndexFile, error) {
	f, err := r.openIndexFile(ctx, info)
	if err != nil {
		return nil, &ObjectError{Object: info.Name, Err: err}
	}
	return f, nil
}

func (r *Repository) openIndexFile(ctx context.Context, info storage.Info) (*format.IndexFile, error) {
	if info.Size > format.MaxIndexFile {
		return nil, fmt.Errorf("%w: %d bytes", ErrDamaged, info.Size)
	}
	return vault.ReadKept(ctx, r.vault, info, func(src *bufio.Reader, copied bool) (*format.IndexFile, error) {
		opener, err := r.vault.Opener(src, format.Capture, path.Base(info.Name))
		if err != nil {
			return nil, err
		}
		sealed, err := io.ReadAll(src)
		if err != nil {
			return nil, err
		}
		open := format.OpenIndexFile
		if copied {
			open = format.ReopenIndexFile
		}
		f, err := open(sealed, opener)
		if err != nil {
			return nil, err
		}
		if id, _, err := names.ParseCapture(info.Name); err != nil || f.ID != id {
			return nil, fmt.Errorf("%w: it is that of capture %q", ErrDamaged, f.ID)
		}
		return f, nil
	})
}

// writeIndexFile seals and puts the index file of a new capture: the commit.
// It gives the capture an id.
func (r *Repository) writeIndexFile(ctx context.Context, f *format.IndexFile) (*captured, error) {
	for {
		f.ID = names.NewID(f.Taken)
		c, err := r.writeGeneration(ctx, f, 0)
		if errors.Is(err, storage.ErrExists) {
			continue // somebody drew the same four letters in this minute
		}
		return c, err
	}
}

// writeGeneration seals and puts a generation of the index file of a capture.
func (r *Repository) writeGeneration(ctx context.Context, f *format.IndexFile, generation int) (*captured, error) {
	name := names.Capture(f.ID, generation)
	header, sealer, err := r.vault.Sealer(format.Capture, path.Base(name))
	if err != nil {
		return nil, err
	}
	b := format.SealIndexFile(header, f, sealer)
	if _, err := format.DecodeIndexFile(format.EncodeIndexFile(f)); err != nil {
		return nil, fmt.Errorf("%w: volumes and labels of which no index file can be made: %v", ErrBadOptions, err)
	}
	if len(b) > format.MaxIndexFile {
		return nil, fmt.Errorf("%w: labels and volumes of %d bytes: an index file has at most %d", ErrBadOptions, len(b), format.MaxIndexFile)
	}
	if err := r.vault.PutKept(ctx, name, b); err != nil {
		return nil, fmt.Errorf("writing index file: %w", err)
	}
	return &captured{IndexFile: f, indexFile: indexFile{storage.Info{Name: name, Size: int64(len(b))}, generation}}, nil
}

// capturedVolume is a volume of a capture.
type capturedVolume struct {
	*format.Volume
	of *captured // nil: of one that is not committed
}

// volume gives a volume of the capture by its number.
func (c *captured) volume(i int) *capturedVolume { return &capturedVolume{&c.Volumes[i], c} }
