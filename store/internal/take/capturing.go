package take

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"slices"
	"time"

	"golang.org/x/sync/errgroup"

	"github.com/klauspost/compress/zstd"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/remember"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/volume"
)

// Options say what is captured, and under which labels. They are valid.
type Options struct {
	Name, Version, Note, Host string

	Taken   time.Time // zero means now
	Labels  map[string]string
	Volumes []Volume
	After   *format.IndexFile // a draft of the same volumes, or nil

	AcceptUnfinished bool // a tar stream that is cut short, or has a broken header
	Tried            int  // how often it was tried before to carry the capture
	Level            zstd.EncoderLevel
	Meter            *vault.Meter

	// CheckBefore is called before anything is read, with what Before gives; its error ends the capture. nil: nobody asks.
	CheckBefore func(*ledger.Capture) error

	whole bool // all captures are listed, and all tables are read at once
}

// Volume is where a volume is read from: a folder, or a stream where there is none.
type Volume struct {
	Name, MountPath, Source string

	Folder *Folder
	Open   func(ctx context.Context) (io.ReadCloser, error)
}

// Folder is a folder that a volume is read from.
type Folder struct {
	Path    string
	Options volume.ReadOptions
	Reread  bool             // every file is read
	Now     func() time.Time // by the clock of the folder's file system; nil means time.Now
}

// Made is a capture that was made, and what is known of it to whoever made it only.
type Made struct {
	Capture *ledger.Capture
	Volumes []Told
	Notes   []string // what made it take more than it need
}

// Told is what only who captured a volume knows of it.
type Told struct {
	Changed   int  // files that changed while they were read
	Reused    int  // members taken over from an earlier capture
	FirstRead bool // of a folder: there is no capture of this machine to take over from
	LeftOut   []volume.LeftOut
}

// Capture records volumes. When it gives no error, all is on disk.
func (r *Taker) Capture(ctx context.Context, o Options) (*Made, error) {
	s, f, err := r.takeIn(ctx, o)
	if err != nil {
		return nil, err
	}
	defer func() { s.lease.End(ctx) }() // commit may have taken another one
	c, err := s.commit(ctx, f)
	if err != nil {
		return nil, err
	}
	r.ledger.Learn(c.Remembered(remember.Made))
	s.noteRelied(c)
	r.stock.TidyTables(ctx, s.lease, s.tables, s.alone())
	if s.there != nil {
		r.ledger.PutBundle(ctx, s.files)
	} else {
		r.ledger.PutOwnBundle(ctx, s.files)
	}
	made := &Made{Capture: c, Notes: append(s.notes(), s.tellLacking(ctx)...)}
	for _, t := range s.taken {
		made.Volumes = append(made.Volumes, Told{t.changed, t.reused, t.firstRead, t.leftOut})
	}
	return made, nil
}

// Draft takes volumes in and commits nothing.
func (r *Taker) Draft(ctx context.Context, o Options) (*format.IndexFile, error) {
	s, f, err := r.takeIn(ctx, o)
	if err != nil {
		return nil, err
	}
	s.lease.End(ctx)
	s.noteDrafted()
	return f, nil
}

// takeIn does all of a capture but commit it. The session's lease is left to the
// caller, where there is no error.
func (r *Taker) takeIn(ctx context.Context, o Options) (*session, *format.IndexFile, error) {
	s, err := r.newSession(ctx, o)
	if err != nil {
		return nil, nil, err
	}
	f, err := s.run(ctx)
	if err == nil && ctx.Err() != nil {
		err = context.Cause(ctx) // also where the last report of progress ended it
	}
	if err != nil {
		s.abandon(ctx)
		return nil, nil, err
	}
	return s, f, nil
}

// session is a capture being made.
type session struct {
	*weave.Weaver // its intake comes with begin
	r             *Taker
	index         *known.Index
	o             Options
	taken         []*volumeTaken
	lease         *lease.Lease
	files         []storage.Info       // index files that there were at the beginning
	there         []string             // ids of those captures, once they are asked for
	retired       []storage.Info       // marks of captures that were retired, where somebody asks
	loaded        *stock.Loaded        // what was known at the beginning
	rest          *stock.Loaded        // what else there is, once that was asked; see restOf
	wrote         writtenTables        // tables that it put
	crowds        *intake.Crowds       // what stands on what
	tables        []stock.ListedTable  // that there were; none where they were not listed
	finals        map[string]bool      // names of the final marks that there were then
	unread        []string             // of those, which can't be read
	before        *format.ReliedRecord // what the capture before relies on; nil: that isn't known

	retiredErr error // what listing retired gave

	harmTold  bool // a verification tells of damage
	lacking   lacking
	looksBack bool // what the capture before needs is known by itself alone, and it was listed just before

	refused bool // by CheckBefore

	listed   chan struct{} // closed once it is known which captures there are, and which are retired
	begun    chan struct{} // closed when begin has ended
	beginErr error
}

func (r *Taker) newSession(ctx context.Context, o Options) (*session, error) {
	params, err := r.vault.Params()
	if err != nil {
		return nil, err
	}
	// The lease comes before a look at what is to go: see FORMAT.md, section 10.
	l, err := r.leases.TakeLooking(ctx, format.WorkCapture, o.Host, o.Name)
	if err != nil {
		return nil, err
	}
	s := &session{
		Weaver: weave.NewWeaver(params, o.Meter), r: r, o: o, lease: l, wrote: make(writtenTables), listed: make(chan struct{}), begun: make(chan struct{}),
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
	apart := s.r.stock.ApartFor(s.o.Name)
	loaded, err := s.r.stock.Load(ctx, s.lease, apart.Group, func(ctx context.Context) (*stock.Relied, error) {
		relied, err := s.relied(ctx)
		if err == nil {
			g.Go(func() error {
				defer close(s.listed)
				return s.readCaptures(ctx)
			})
		}
		return relied, err
	})
	if err := cmp.Or(g.Wait(), err); err != nil {
		return err
	}
	s.loaded, s.finals, s.unread = loaded, loaded.Finals, loaded.Unread
	cfg, err := s.r.stock.IntakeConfig(ctx, loaded.Index)
	if err != nil {
		return err
	}
	cfg.Adopted = loaded.Adopted
	if loaded.Rest != nil {
		cfg.More, cfg.MoreFrom, cfg.MoreAtEnd = s.restOf, aloneBytes, s.before.Alone >= aloneMost
	} else {
		s.tables, cfg.Joined = loaded.Tables, s.r.stock.ToJoin(ctx, loaded.Tables, s.alone())
	}
	stock.TellTables(&cfg, s.wrote.note)
	cfg.MaxChunk = s.Params.Max()
	cfg.Level, cfg.Apart = s.o.Level, apart
	s.crowds = s.crowdsOf(loaded)
	cfg.Old, cfg.Crowds = s.lacking.noting(weave.OldChunks(s.r.slabs)), s.crowds
	cfg.Alike = cfg.Deltas == intake.DeltasOn // what has own ones follows nothing of another capture: to store it anew gains something
	s.index = loaded.Index
	s.loadBefore(ctx)
	s.Intake, err = intake.New(ctx, cfg)
	return err
}

// listCaptures finds out which captures there are, and whether own is.
func (s *session) listCaptures(ctx context.Context, own string) (err error) {
	if s.o.whole {
		s.files, err = s.r.ledger.ListCaptures(ctx)
		return err
	}
	s.files, err = s.r.ledger.ListLately(ctx, own)
	return err
}

// readCaptures finds out what is known of them.
func (s *session) readCaptures(ctx context.Context) (err error) {
	s.r.ledger.Recall(ctx, s.files, nil)
	if s.o.CheckBefore != nil || slices.ContainsFunc(s.o.Volumes, func(v Volume) bool { return v.Folder != nil }) {
		s.retired, s.retiredErr = s.r.vault.ListMarks(ctx, names.Retired)
	}
	return nil
}

// run takes all volumes in and gives the index file, yet without an id.
func (s *session) run(ctx context.Context) (*format.IndexFile, error) {
	if err := s.checkBefore(ctx); err != nil {
		return nil, err
	}
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
			err = fmt.Errorf("volume %s: %w", vault.OneLine(v.Name), err)
		}
		if err != nil {
			return nil, err
		}
		s.taken = append(s.taken, t)
	}
	if err := s.finish(ctx, f); err != nil {
		return nil, err
	}
	if s.o.After != nil {
		f.Added += s.o.After.Added // it was stored for this capture
	}
	return f, nil
}

// finish takes in what remains of a capture whose volumes are taken in, and completes its index file but
// for the id.
func (s *session) finish(ctx context.Context, f *format.IndexFile) error {
	seen, err := s.seen(ctx)
	if err != nil {
		return err
	}
	for _, t := range s.taken {
		if err := s.WriteRecipes(&t.record, &t.Strands); err != nil {
			return err
		}
		f.Volumes = append(f.Volumes, t.record)
	}
	if f.Seen, err = seen(); err != nil {
		return err
	}
	written, err := s.Intake.Close()
	f.Added = uint64(written.Bytes)
	f.Deltas = s.TakeBases()
	s.Meter.Done()
	return err
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
	if begun && s.refused {
		s.noteDrafted()
	}
	s.lease.End(ctx)
}
