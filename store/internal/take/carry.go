package take

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"sync"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/remember"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/weave"
	"github.com/kistarchive/kist/store/storage"
)

// ErrCarried says that a capture of that id is there already.
var ErrCarried = errors.New("the capture is there already")

// Carry captures anew what was captured elsewhere with the same keys, chunk by chunk: what is known here is named
// here, and only the rest is read there. The capture keeps its id, its times and its labels. It fails with ErrCarried
// where it is there already.
func (r *Taker) Carry(ctx context.Context, from *stock.Stock, c *ledger.Capture, o Options) (*ledger.Capture, error) {
	o.Name, o.Host, o.whole, o.Volumes = c.Name, c.Host, true, nil
	for i := range c.Volumes { // what volumes were before is found by all their names
		o.Volumes = append(o.Volumes, Volume{Name: c.Volumes[i].Name, Source: c.Volumes[i].Source})
	}
	s, err := r.newSession(ctx, o)
	if err != nil {
		return nil, err
	}
	f, err := s.carry(ctx, from, c)
	if err == nil && ctx.Err() != nil {
		err = context.Cause(ctx)
	}
	if err != nil {
		s.abandon(ctx)
		return nil, err
	}
	defer func() { s.lease.End(ctx) }() // commit may have taken another one
	made, err := s.commit(ctx, f)
	if errors.Is(err, storage.ErrExists) && s.isCarried(ctx, c.ID) { // somebody else who carried it was faster
		err = ErrCarried
	}
	if err != nil {
		return nil, err
	}
	r.ledger.Learn(made.Remembered(remember.Made))
	r.stock.TidyTables(ctx, s.lease, s.tables, s.alone())
	return made, nil
}

// carry takes all volumes over, and gives the index file.
func (s *session) carry(ctx context.Context, from *stock.Stock, c *ledger.Capture) (*format.IndexFile, error) {
	if err := s.await(); err != nil {
		return nil, err
	}
	if _, err := s.r.carriedAs(ctx, c.ID, s.files); err != nil {
		return nil, err
	}
	k, err := s.newCarrier(ctx, from)
	if err != nil {
		return nil, err
	}
	f := *c.IndexFile
	f.Volumes, f.Seen, f.Previous, f.Padding = nil, nil, nil, nil
	for i := range c.Volumes {
		t, err := k.volume(ctx, &c.Volumes[i])
		if err != nil {
			return nil, err
		}
		s.taken = append(s.taken, t)
	}
	if err := s.finish(ctx, &f); err != nil {
		return nil, err
	}
	for i := range f.Volumes {
		if !sameStreams(&f.Volumes[i], &c.Volumes[i]) {
			return nil, fmt.Errorf("%w: what capture %s rebuilds is not what was captured", format.ErrDamaged, c.ID)
		}
	}
	return &f, nil
}

// carriedAs looks what index files there are of a capture's id. It fails with ErrCarried where one is whole; what can't be read is none,
// and takes a name: it gives the generations of those.
func (r *Taker) carriedAs(ctx context.Context, id string, files []storage.Info) (taken []int, err error) {
	of := ledger.FilesOf(files, id)
	taken = ledger.TakenBy(of)[id]
	captures, _, _, err := r.ledger.Read(ctx, ledger.Generations(of))
	if err == nil && len(captures) > 0 {
		err = ErrCarried
	}
	return taken, err
}

// isCarried looks whether a capture of that id is there by now.
func (s *session) isCarried(ctx context.Context, id string) bool {
	files, err := s.r.ledger.ListCaptures(ctx)
	if err == nil {
		_, err = s.r.carriedAs(ctx, id, files)
	}
	return errors.Is(err, ErrCarried)
}

// writeCarried puts the index file of a capture that has its id already, in a generation that no try before had: what became of the
// name of one that failed, nobody knows. It looks once more whether somebody else was faster.
func (s *session) writeCarried(ctx context.Context, f *format.IndexFile) (*ledger.Capture, error) {
	files, err := s.r.ledger.ListCaptures(ctx)
	if err != nil {
		return nil, err
	}
	taken, err := s.r.carriedAs(ctx, f.ID, files)
	if err != nil {
		return nil, err
	}
	generation := s.o.Tried + len(taken)
	for slices.Contains(taken, generation) {
		generation++
	}
	return s.r.ledger.WriteGeneration(ctx, f, generation)
}

// sameStreams tells whether all streams of two volumes are the same, by their digests.
func sameStreams(a, b *format.Volume) bool {
	return slices.EqualFunc(weave.Parts(a), weave.Parts(b), func(a, b weave.Part) bool {
		return a.Recipe.Chunks == b.Recipe.Chunks && a.Recipe.Bytes == b.Recipe.Bytes && a.Recipe.Digest == b.Recipe.Digest
	})
}

// carrier takes streams over.
type carrier struct {
	s       *session
	slabs   *fetch.Slabs
	reader  *weave.Reader
	index   *known.Index // of where it was captured
	finding sync.Mutex   // an index finds for one at a time
	here    []known.Ref  // for each chunk of index: what it is here, plus 1; 0: it is not known here
}

// newCarrier looks up all that there is, before anything is taken in: the session has its index in use from then on.
func (s *session) newCarrier(ctx context.Context, from *stock.Stock) (*carrier, error) {
	index, _, err := from.LoadIndex(ctx, nil, nil)
	if err != nil {
		return nil, err
	}
	k := &carrier{s: s, slabs: from.Vault().Slabs(), reader: weave.NewReader(from.Vault()), index: index, here: make([]known.Ref, index.Len())}
	for i := range k.here {
		if ref, ok := s.index.Lookup(index.ID(known.Ref(i))); ok {
			k.here[i] = ref + 1
		}
	}
	return k, nil
}

// volume takes a volume over.
func (k *carrier) volume(ctx context.Context, v *format.Volume) (*volumeTaken, error) {
	t := &volumeTaken{record: *v, Strands: k.s.NewStrands()}
	if v.States != nil {
		t.States = k.s.Intake.Stream(intake.Listing)
	}
	if v.Order != nil {
		t.Order = k.s.Intake.Stream(intake.Listing)
	}
	if k.s.Intake.Follows() {
		if err := k.s.followVolume(ctx, t, k.s.latestCarried(ctx, v)); err != nil {
			return nil, err
		}
	}
	for _, p := range []struct {
		recipe *format.Recipe
		to     *intake.Stream
	}{{&v.MemberList, t.List}, {v.Stamps, t.Stamps}, {v.Contents, t.Contents}, {v.States, t.States}, {v.Order, t.Order}} {
		if p.recipe == nil {
			continue
		}
		m := &members{}
		if p.to == t.Contents && k.s.r.stock.ApartFor(k.s.o.Name).Group != nil {
			m.entries = k.reader.Entries(ctx, v)
			defer m.entries.Close()
		}
		if err := k.stream(ctx, p.recipe, p.to, m); err != nil {
			return nil, err
		}
	}
	return t, nil
}

// latestCarried gives a volume as the latest capture of the same folder has it here, or else as whoever captured it last, or nil, as
// folderSink.before does.
func (s *session) latestCarried(ctx context.Context, v *format.Volume) *format.Volume {
	like := Volume{Name: v.Name, Source: v.Source}
	if v.States != nil {
		if found := s.latestVolume(ctx, like); found != nil {
			return found
		}
	}
	return s.latestRead(ctx, like)
}

// stream takes a stream over.
func (k *carrier) stream(ctx context.Context, recipe *format.Recipe, to *intake.Stream, m *members) error {
	unknown := k.slabs.ReadWith(ctx, k.unknown(k.slabs.Runs(ctx, recipe)), fetch.ReadOptions{Lend: true})
	defer unknown.Close()
	next, stop := weave.PullRepeats(ctx, k.slabs.Runs(ctx, recipe))
	defer stop()
	for {
		most, err := m.begin(k.s.Intake, to)
		if err != nil {
			return err
		}
		at, times, err, ok := next(most)
		if err != nil || !ok {
			return err
		}
		m.left -= times
		ref, err := k.find(at.Slab, at.Chunk)
		if err == nil {
			err = k.chunk(ref, times, unknown, to)
		}
		if err != nil {
			return err
		}
	}
}

// find looks a chunk up: reading ahead does so too.
func (k *carrier) find(slab format.SlabID, chunk uint32) (known.Ref, error) {
	k.finding.Lock()
	defer k.finding.Unlock()
	return weave.FindChunk(k.index, slab, chunk)
}

// chunk takes a chunk over, so often.
func (k *carrier) chunk(ref known.Ref, times uint64, unknown *fetch.Reader, to *intake.Stream) error {
	n := k.index.Length(ref)
	k.s.Meter.Tick(int64(n) * int64(times))
	if here := k.here[ref]; here != 0 {
		return k.s.Intake.PutKnownTimes(to, here-1, n, times)
	}
	c, err := unknown.Next()
	if err != nil {
		return err
	}
	if c.ID != k.index.ID(ref) || len(c.Data) != n {
		slab, chunk := k.index.Locate(ref)
		return &fetch.SlabError{Slab: slab, Frame: -1, Err: fmt.Errorf("%w: chunk %d is another", format.ErrDamaged, chunk)}
	}
	buf, err := k.s.Intake.Reserve()
	if err != nil {
		return err
	}
	k.s.Intake.PutTimes(to, copy(buf, c.Data), times)
	return nil
}

// unknown gives what is not known here of runs, as chunk takes it: what comes several times in a row once.
func (k *carrier) unknown(runs fetch.Runs) fetch.Runs {
	return func(yield func(format.Run, error) bool) {
		for run, err := range runs {
			if err != nil {
				yield(run, err)
				return
			}
			for i := range run.Count {
				ref, err := k.find(run.Slab, run.First+i)
				if err == nil && k.here[ref] != 0 {
					continue
				}
				if !yield(format.Run{Slab: run.Slab, First: run.First + i, Count: 1, Times: 1}, err) || err != nil {
					return
				}
			}
		}
	}
}

// members says where the contents of members begin, for those who keep them apart. Without entries a stream is
// of one.
type members struct {
	entries *weave.EntryReader
	left    uint64 // chunks of the member
}

// begin gives how many chunks the member has yet, and begins the next one where it has none.
func (m *members) begin(in *intake.Intake, to *intake.Stream) (uint64, error) {
	for m.entries != nil && m.left == 0 {
		e, err := m.entries.Next()
		if errors.Is(err, io.EOF) {
			m.entries = nil // a chunk more is seen by the digests
			break
		}
		if err != nil {
			return 0, err
		}
		if m.left = e.Chunks; m.left > 0 {
			if err := in.NewMember(to); err != nil {
				return 0, err
			}
		}
	}
	if m.entries == nil {
		m.left = math.MaxUint64
	}
	return m.left, nil
}
