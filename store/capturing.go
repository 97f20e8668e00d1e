package store

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"slices"
	"time"
	"unicode/utf8"

	"golang.org/x/sync/errgroup"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/remember"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
	"github.com/kistarchive/kist/store/storage"
)

// CaptureOptions say what is captured, and under which labels. Labels are text
// of at most MaxLabel bytes each.
type CaptureOptions struct {
	Name    string            // of the service
	Version string            // that ran when the data was as captured
	Note    string            // for people
	Host    string            // where the data comes from
	Taken   time.Time         // when the data was as captured; zero means now
	Labels  map[string]string // the caller's own; at most 1,000

	// Volumes are captured in this order. There must be one at least.
	Volumes []VolumeInput

	// After is a Draft of the same volumes: what did not change since it was made
	// is not read again. One that this repository did not give is ErrForeign.
	After *Draft

	// AcceptUnfinished takes a tar stream that is cut short, or has a broken
	// header, as it is. By default it is refused with ErrUnfinished or
	// tarstream.ErrHeader, and no capture appears.
	AcceptUnfinished bool

	// Level is how hard frames are compressed; an unknown one is ErrBadOptions.
	Level Level

	// Progress, if set, is called now and then, by one goroutine at a time.
	Progress func(Progress)
}

// VolumeInput is where a volume is read from.
type VolumeInput struct {
	Name      string // distinct among the capture's volumes; may be empty for an only one
	MountPath string // where the service sees it, for people and later restores
	Source    string // where it is read from, for people

	// Folder is the folder to read, where the volume is one. Its tar stream is
	// that of volume.WriteTar.
	Folder *FolderInput

	// Open gives the volume's stream, where Folder is nil: a tar stream, one compressed by gzip,
	// zstd or xz, or any other contents. It is closed after reading. Its reads
	// need not heed the context.
	Open func(ctx context.Context) (io.ReadCloser, error)
}

// Bounds of labels.
const (
	MaxLabel   = 64 << 10 // bytes of each text
	maxLabels  = 1000
	maxVolumes = 1000
)

// Progress says how far an operation is.
type Progress struct {
	Bytes   int64 // of the streams, done
	Total   int64 // of the streams, or 0 where it isn't known
	Members int64
}

func (o *CaptureOptions) check() error {
	if len(o.Volumes) == 0 || len(o.Volumes) > maxVolumes {
		return fmt.Errorf("%w: %d volumes: a capture has 1 to %d", ErrBadOptions, len(o.Volumes), maxVolumes)
	}
	if y := o.Taken.UTC().Year(); y < 1 || y > 9999 {
		return fmt.Errorf("%w: taken in the year %d", ErrBadOptions, y)
	}
	if len(o.Labels) > maxLabels {
		return fmt.Errorf("%w: %d labels: at most %d", ErrBadOptions, len(o.Labels), maxLabels)
	}
	if !o.Level.known() {
		return fmt.Errorf("%w: compression of %v: there is none", ErrBadOptions, o.Level)
	}
	texts := []string{o.Name, o.Version, o.Note, o.Host}
	for k, v := range o.Labels {
		texts = append(texts, k, v)
	}
	seen := make(map[string]bool)
	for _, v := range o.Volumes {
		texts = append(texts, v.Name, v.MountPath, v.Source)
		if seen[v.Name] || v.Name == "" && len(o.Volumes) > 1 {
			return fmt.Errorf("%w: two volumes named %q", ErrBadOptions, v.Name)
		}
		seen[v.Name] = true
		if (v.Open == nil) == (v.Folder == nil) {
			return fmt.Errorf("%w: volume %q needs one of Open and Folder", ErrBadOptions, v.Name)
		}
	}
	for _, s := range texts {
		if len(s) > MaxLabel || !utf8.ValidString(s) {
			return fmt.Errorf("%w: a label must be UTF-8 text of at most %d bytes: %.40q", ErrBadOptions, MaxLabel, s)
		}
	}
	return nil
}

// Capture records volumes and gives the capture once it is committed: all of it
// is on disk then. Whatever stops it before leaves nothing that Captures lists;
// what had arrived is reused by the next capture.
//
// It fails with ErrBadOptions, ErrForeign, ErrUnfinished, tarstream.ErrHeader, with what
// reading a volume gave, or with a *storage.Error that names the object.
func (r *Repository) Capture(ctx context.Context, o CaptureOptions) (c *Capture, err error) {
	defer vault.NoteEnd(ctx, &err)
	s, f, err := r.takeIn(ctx, o)
	if err != nil {
		return nil, err
	}
	defer func() { s.lease.End(ctx) }() // commit may have taken another one
	made, err := s.commit(ctx, f)
	if err != nil {
		return nil, err
	}
	r.ledger.Learn(made.Remembered(remember.Made))
	r.stock.TidyTables(ctx, s.lease, s.tables)
	c = r.given(made)
	for i, t := range s.taken {
		c.Volumes[i].Changed, c.Volumes[i].Reused, c.Volumes[i].FirstRead = t.changed, t.reused, t.firstRead
	}
	c.Notes = s.notes()
	return c, nil
}

// Draft is a capture that was not committed.
type Draft struct {
	file *format.IndexFile
	repo crypt.RepositoryID // that gave it
}

// Draft takes volumes in as Capture does, but commits no capture. A folder of a
// service that runs can be drafted first, so that the capture made when the
// service is stopped, with CaptureOptions.After, reads only what changed since:
// the service is down for a shorter time. What a draft stored and no
// capture uses is harmless, and is used by later captures.
func (r *Repository) Draft(ctx context.Context, o CaptureOptions) (d *Draft, err error) {
	defer vault.NoteEnd(ctx, &err)
	s, f, err := r.takeIn(ctx, o)
	if err != nil {
		return nil, err
	}
	s.lease.End(ctx)
	return &Draft{f, r.vault.ID()}, nil
}

// takeIn does all of a capture but commit it. The session's lease is left to the
// caller, where there is no error.
func (r *Repository) takeIn(ctx context.Context, o CaptureOptions) (*session, *format.IndexFile, error) {
	if err := r.open(); err != nil {
		return nil, nil, err
	}
	if err := o.check(); err != nil {
		return nil, nil, err
	}
	if err := r.ownsDraft(o.After); err != nil {
		return nil, nil, err
	}
	s, err := r.newSession(ctx, o)
	if err != nil {
		return nil, nil, err
	}
	f, err := s.run(ctx)
	if err != nil {
		s.abandon(ctx)
		return nil, nil, err
	}
	return s, f, nil
}

// session is a capture being made.
type session struct {
	*weave.Weaver // its intake comes with begin
	r             *Repository
	index         *known.Index
	o             CaptureOptions
	taken         []*volumeTaken
	lease         *lease.Lease
	files         []storage.Info      // index files that there were at the beginning
	there         []string            // ids of those captures
	retired       []storage.Info      // marks of captures that were retired, for folders
	tables        []stock.ListedTable // that there were at the beginning
	finals        map[string]bool     // names of the final marks that there were then
	unread        []string            // of those, which can't be read

	retiredErr error // what listing retired gave

	begun    chan struct{} // closed when begin has ended
	beginErr error
}

func (r *Repository) newSession(ctx context.Context, o CaptureOptions) (*session, error) {
	params, err := r.vault.Params()
	if err != nil {
		return nil, err
	}
	// The lease comes before a look at what is to go: see FORMAT.md, section 10.
	l, err := r.leases.Take(ctx, format.WorkCapture, o.Host, o.Name)
	if err != nil {
		return nil, err
	}
	s := &session{
		Weaver: weave.NewWeaver(params, newMeter(o.Progress)), r: r, o: o, lease: l, begun: make(chan struct{}),
	}
	go func() {
		defer close(s.begun)
		s.beginErr = s.begin(ctx)
	}()
	return s, nil
}

// await waits until begin has ended: what it sets is there only then.
func (s *session) await() error {
	<-s.begun
	return s.beginErr
}

// begin finds out what there is, and starts to take in. Meanwhile a folder may be
// looked at: reading tables takes the longer the more captures there are.
func (s *session) begin(ctx context.Context) error {
	var g errgroup.Group // a share answers two calls in the time of one
	g.Go(func() error { return s.readCaptures(ctx) })
	apart := s.r.stock.ApartFor(s.o.Name)
	stock, err := s.r.stock.Load(ctx, s.lease, apart.Group)
	if err := cmp.Or(g.Wait(), err); err != nil {
		return err
	}
	s.tables, s.finals, s.unread = stock.Tables, stock.Finals, stock.Unread
	cfg := s.r.stock.IntakeConfig(stock.Index)
	cfg.Adopted = stock.Adopted
	cfg.MaxChunk = s.Params.Max()
	cfg.Level, cfg.Apart = s.o.Level.encoder(), apart
	s.index = stock.Index
	s.Intake, err = intake.New(ctx, cfg)
	return err
}

// readCaptures finds out which captures there are.
func (s *session) readCaptures(ctx context.Context) (err error) {
	if s.files, err = s.r.ledger.ListCaptures(ctx); err != nil {
		return err
	}
	if s.there, err = s.r.ledger.SeenIDs(ctx, s.files); err != nil {
		return err
	}
	s.r.ledger.Recall(ctx, s.files, nil)
	if slices.ContainsFunc(s.o.Volumes, func(v VolumeInput) bool { return v.Folder != nil }) {
		s.retired, s.retiredErr = s.r.vault.ListMarks(ctx, names.Retired)
	}
	return nil
}

// run takes all volumes in and gives the index file, yet without an id.
func (s *session) run(ctx context.Context) (*format.IndexFile, error) {
	now := time.Now().UTC().Truncate(time.Millisecond)
	f := &format.IndexFile{
		Written: now, Taken: s.o.Taken.UTC(), Name: s.o.Name, Version: s.o.Version,
		Note: s.o.Note, Host: s.o.Host, Labels: s.o.Labels,
	}
	if s.o.Taken.IsZero() {
		f.Taken = now
	}
	for _, v := range s.o.Volumes {
		t, err := s.takeVolume(ctx, v)
		if err != nil && v.Name != "" && len(s.o.Volumes) > 1 {
			err = fmt.Errorf("volume %s: %w", v.Name, err)
		}
		if err != nil {
			return nil, err
		}
		s.taken = append(s.taken, t)
	}
	seen, err := s.takeSeen()
	if err == nil {
		err = s.Intake.Settle()
	}
	if err != nil {
		return nil, err
	}
	for _, t := range s.taken {
		if err := s.WriteRecipes(&t.record, &t.Strands); err != nil {
			return nil, err
		}
		f.Volumes = append(f.Volumes, t.record)
	}
	if f.Seen, err = s.OptionalRecipe(seen); err != nil {
		return nil, err
	}
	written, err := s.Intake.Close()
	f.Added = uint64(written.Bytes)
	s.Meter.Done()
	return f, err
}

// salvageTime bounds how long a capture that failed tries to save a table of
// what arrived: the share may be what failed.
const salvageTime = 7 * time.Second

func (s *session) abandon(ctx context.Context) {
	begun := s.await() == nil
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), salvageTime)
	defer cancel()
	if begun {
		s.Intake.Abandon(ctx) // its failing is no loss: the slabs are found without a table
	}
	s.lease.End(ctx)
}
