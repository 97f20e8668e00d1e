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
	"strings"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// Capture is one dated, labelled, immutable record of a service's volumes.
type Capture struct {
	ID      string            `json:"id"`
	Name    string            `json:"name"`
	Version string            `json:"version"`
	Note    string            `json:"note"`
	Taken   time.Time         `json:"taken"` // when the data was as captured
	Host    string            `json:"host"`
	Members uint64            `json:"members"`
	Bytes   uint64            `json:"bytes"`       // length of the volumes' streams
	Added   uint64            `json:"added_bytes"` // what the repository grew by on disk
	Held    bool              `json:"held"`
	Retired *Retirement       `json:"retired,omitempty"` // nil: it is not
	Labels  map[string]string `json:"labels,omitempty"`  // the caller's own
	Written time.Time         `json:"written"`           // by the writer's clock
	Volumes []Volume          `json:"volumes"`

	// Notes are known to whoever captured only: what is wrong with the repository and
	// made the capture larger or slower than it need be.
	Notes []string `json:"-"`

	file indexFile
	repo crypt.RepositoryID // that gave it
}

// indexFile is where a capture was read from.
type indexFile struct {
	info       storage.Info
	generation int
	record     *format.IndexFile
}

// Volume is one tree of data in a capture, or one stream.
type Volume struct {
	Name        string `json:"name"`
	MountPath   string `json:"mount_path,omitempty"`
	Source      string `json:"source,omitempty"`      // where it was read from
	Compression string `json:"compression,omitempty"` // of the input that was unpacked
	Tar         bool   `json:"tar"`                   // else plain contents
	Members     uint64 `json:"members"`
	Bytes       uint64 `json:"bytes"`                // length of the stream
	SHA256      string `json:"sha256,omitempty"`     // of the stream, in hexadecimal
	Unfinished  string `json:"unfinished,omitempty"` // what was wrong with a stream accepted unfinished

	// Warnings say what may not be as expected: files that changed while they were
	// read, sockets, what is mounted below.
	Warnings []string `json:"warnings,omitempty"`

	// Changed and Reused are known to whoever captured only: how many files
	// changed while they were read and did not hold still, and how many members
	// were taken over from an earlier capture.
	Changed int `json:"-"`
	Reused  int `json:"-"`
	// FirstRead is too: a folder was read as a whole, since there is no capture of it
	// that this machine knows to have made itself (see OpenOptions.State).
	FirstRead bool `json:"-"`

	record *format.Volume
	of     *Capture
}

// Digests gives the digests of the volume's member list and of its contents, in
// hexadecimal. Two volumes with the same ones have the same stream, be it read
// or taken over. It gives "" for a volume that no Repository gave.
func (v *Volume) Digests() string {
	if v == nil || v.record == nil {
		return ""
	}
	d := v.record.MemberList.Digest.String()
	if v.record.Contents != nil {
		d += v.record.Contents.Digest.String()
	}
	return d
}

func newCapture(f *format.IndexFile, size int64) *Capture {
	c := &Capture{
		ID: f.ID, Name: f.Name, Version: f.Version, Note: f.Note, Host: f.Host, Labels: f.Labels,
		Taken: f.Taken, Written: f.Written, Added: f.Added + uint64(size),
		file: indexFile{record: f},
	}
	for i := range f.Volumes {
		v := &f.Volumes[i]
		c.Members += v.Members
		c.Bytes += v.Length
		c.Volumes = append(c.Volumes, newVolume(v))
		c.Volumes[i].of = c
	}
	return c
}

func newVolume(v *format.Volume) Volume {
	out := Volume{
		Name: v.Name, MountPath: v.MountPath, Source: v.Source, Compression: v.Compression,
		Tar: v.Tar, Members: v.Members, Bytes: v.Length, Unfinished: v.Unfinished, Warnings: v.Warnings,
		record: v,
	}
	if len(v.SHA256) > 0 {
		out.SHA256 = fmt.Sprintf("%x", v.SHA256)
	}
	return out
}

// Volume gives the volume of that name; "" means the only one. It fails with
// ErrNotFound, with ErrAmbiguous for "" where there are several, and with ErrForeign for
// a nil Capture.
func (c *Capture) Volume(name string) (*Volume, error) {
	if c == nil {
		return nil, fmt.Errorf("no capture: %w", ErrForeign)
	}
	if name == "" && len(c.Volumes) == 1 {
		return &c.Volumes[0], nil
	}
	var all []string
	for i := range c.Volumes {
		if c.Volumes[i].Name == name && name != "" {
			return &c.Volumes[i], nil
		}
		all = append(all, c.Volumes[i].Name)
	}
	if name == "" {
		return nil, fmt.Errorf("capture %s has %d volumes (%s): %w: name one", c.ID, len(all), strings.Join(all, ", "), ErrAmbiguous)
	}
	return nil, fmt.Errorf("volume %q of capture %s: %w: it has %s", name, c.ID, ErrNotFound, strings.Join(all, ", "))
}

// Captures lists the captures, oldest first, without those that are retired.
// Where some index files are damaged, it gives the others and a *DamagedError.
func (r *Repository) Captures(ctx context.Context) ([]*Capture, error) {
	all, err := r.AllCaptures(ctx)
	return withoutRetired(all), err
}

// AllCaptures is Captures with those that are retired and not yet removed.
func (r *Repository) AllCaptures(ctx context.Context) ([]*Capture, error) {
	l, err := r.List(ctx)
	if err != nil {
		return nil, err
	}
	return l.Captures, l.err()
}

func withoutRetired(all []*Capture) []*Capture {
	return slices.DeleteFunc(slices.Clone(all), func(c *Capture) bool { return c == nil || c.Retired != nil })
}

// readAllCaptures reads the index files that count.
func (r *Repository) readAllCaptures(ctx context.Context) (captures []*Capture, damage []error, err error) {
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
func (r *Repository) readCaptures(ctx context.Context, files [][]indexFile) (captures []*Capture, damage []error, again bool, err error) {
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
	slices.SortFunc(captures, func(a, b *Capture) int {
		return cmp.Or(a.Taken.Compare(b.Taken), cmp.Compare(a.ID, b.ID))
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
func (r *Repository) readCapture(ctx context.Context, generations []indexFile) (*captureRead, error) {
	got := &captureRead{}
	for _, f := range generations {
		record, err := r.readIndexFile(ctx, f.info)
		switch {
		case err == nil:
			got.capture = newCapture(record, f.info.Size)
			got.capture.file.info, got.capture.file.generation = f.info, f.generation
			got.capture.repo = r.vault.ID()
			return got, nil
		case errors.Is(err, storage.ErrNotFound):
			got.gone = true
		case isDamage(err):
			got.damage = append(got.damage, err)
		default:
			return nil, err
		}
	}
	return got, nil
}

// isDamage tells errors that are about one object, which is not what it should
// be, or not to this release, from those that stop everything.
func isDamage(err error) bool {
	return errors.Is(err, ErrDamaged) || errors.Is(err, ErrUnknownFormat)
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
func (r *Repository) writeIndexFile(ctx context.Context, f *format.IndexFile) (*Capture, error) {
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
func (r *Repository) writeGeneration(ctx context.Context, f *format.IndexFile, generation int) (*Capture, error) {
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
	c := newCapture(f, int64(len(b)))
	c.repo = r.vault.ID()
	return c, nil
}

// Find gives the capture that a selector means: its id, any leading part of it
// that fits no other, "latest", or "NAME@latest". Retired captures are found by
// their ids, where no other fits. It fails with ErrNotFound or ErrAmbiguous, and with a
// *DamagedError where index files that can't be read may make it another one: those of
// the capture itself and, for the latest, of one that is not older.
func (r *Repository) Find(ctx context.Context, selector string) (*Capture, error) {
	l, err := r.List(ctx)
	if err != nil {
		return nil, err
	}
	return l.Find(selector)
}

// Select is Find among captures that Captures or AllCaptures gave, all of them: where one
// can't be read, the latest may be another. Listing.Find knows of those.
func Select(captures []*Capture, selector string) (*Capture, error) {
	c, err := selectAmong(withoutRetired(captures), selector)
	if errors.Is(err, ErrNotFound) {
		if retired, again := selectAmong(captures, selector); again == nil && retired.ID != "" && strings.HasPrefix(retired.ID, selector) {
			return retired, nil
		}
	}
	return c, err
}

func selectAmong(captures []*Capture, selector string) (*Capture, error) {
	if name, ok := strings.CutSuffix(selector, "latest"); ok && (name == "" || strings.HasSuffix(name, "@")) {
		return latest(captures, strings.TrimSuffix(name, "@"), name != "")
	}
	var found []*Capture
	for _, c := range captures {
		if c == nil {
			continue
		}
		if c.ID == selector {
			return c, nil
		}
		if selector != "" && strings.HasPrefix(c.ID, selector) {
			found = append(found, c)
		}
	}
	switch len(found) {
	case 0:
		return nil, fmt.Errorf("capture %q: %w", selector, ErrNotFound)
	case 1:
		return found[0], nil
	}
	return nil, fmt.Errorf("capture %q: %w: %s and %s, among %d: give more of the id",
		selector, ErrAmbiguous, found[0].ID, found[1].ID, len(found))
}

func latest(captures []*Capture, name string, named bool) (*Capture, error) {
	for _, c := range slices.Backward(captures) {
		if !named || c.Name == name {
			return c, nil
		}
	}
	if named {
		return nil, fmt.Errorf("a capture of %q: %w", name, ErrNotFound)
	}
	return nil, fmt.Errorf("a capture: %w: the repository holds none", ErrNotFound)
}
