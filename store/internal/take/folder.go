package take

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/weave"
	"github.com/kistarchive/kist/store/volume"
)

// takeFolder reads a volume's folder.
func (s *session) takeFolder(ctx context.Context, v Volume) (*volumeTaken, error) {
	t, err := s.walkFolder(ctx, v, v.Folder.Reread)
	if errors.Is(err, errPrior) {
		t, err = s.walkFolder(ctx, v, true)
	}
	return t, err
}

// walkFolder reads a volume's folder. It fails with errPrior where what
// it took over can't be relied on.
func (s *session) walkFolder(ctx context.Context, v Volume, reread bool) (*volumeTaken, error) {
	start := v.Folder.now()
	sink := lateSink{sync.OnceValues(func() (*folderSink, error) {
		if err := s.await(); err != nil {
			return nil, err
		}
		return s.newFolderSink(ctx, v, start, reread)
	})}
	o := v.Folder.Options
	o.Flush = o.Flush || s.o.After == nil
	report, err := volume.Walk(ctx, v.Folder.Path, sink, o)
	f, failed := sink.get()
	if failed != nil {
		return nil, failed
	}
	defer f.prior.close()
	if err == nil {
		err = f.finish()
	}
	if err != nil {
		return nil, err
	}
	f.t.Before = f.unchangedContents(ctx)
	f.t.record.Warnings = warnings(report)
	if report.NoChangeTimes && !v.Folder.Reread {
		f.t.record.Warnings = append(f.t.record.Warnings, noChangeTimes)
	}
	f.t.changed, f.t.leftOut = len(report.Changed), report.LeftOut
	return f.t, nil
}

// lateSink is a sink that the first one who needs it makes: the folder is flushed and
// looked into meanwhile.
type lateSink struct{ get func() (*folderSink, error) }

// Find implements volume.Sink.
func (l lateSink) Find(path string, state *volume.State) (any, error) {
	f, err := l.get()
	if err != nil {
		return nil, err
	}
	return f.Find(path, state)
}

// TakeOver implements volume.Sink.
func (l lateSink) TakeOver(found any) error {
	f, err := l.get()
	if err != nil {
		return err
	}
	return f.TakeOver(found)
}

// Put implements volume.Sink.
func (l lateSink) Put(path string, state *volume.State, header []byte, content io.Reader, size int64) error {
	f, err := l.get()
	if err != nil {
		return err
	}
	return f.Put(path, state, header, content, size)
}

// Drop implements volume.Sink.
func (l lateSink) Drop() error {
	f, err := l.get()
	if err != nil {
		return err
	}
	return f.Drop()
}

const noChangeTimes = ".: its file system does not show change times of its own, without which changes may not show: every file was read"

// maxWarnings bounds how many warnings a volume keeps.
const maxWarnings = 1000

func warnings(report *volume.ReadReport) (texts []string) {
	for _, notes := range [][]volume.Note{report.Changed, report.Skipped} {
		for _, n := range notes {
			if len(texts) == maxWarnings {
				return append(texts, fmt.Sprintf("and %d more", len(report.Changed)+len(report.Skipped)-maxWarnings))
			}
			texts = append(texts, strings.ToValidUTF8(shortPath(n.Path)+": "+n.Reason, "\uFFFD"))
		}
	}
	return texts
}

// maxWarnedPath is how many bytes of a path a warning has: all warnings must fit an index file.
const maxWarnedPath = 4000

// shortPath gives a path, the middle of a long one left out.
func shortPath(path string) string {
	if len(path) <= maxWarnedPath {
		return path
	}
	return path[:maxWarnedPath/2] + "…" + path[len(path)-maxWarnedPath/2:]
}

// folderSink takes the members of a folder in, as a tar stream would be.
type folderSink struct {
	s       *session
	t       *volumeTaken
	cutter  *chunk.Cutter // of contents
	read    bool          // some content was
	prior   *prior        // nil where there is nothing to take over
	listing *folderListing

	start int64      // when the walk began, in nanoseconds since 1970
	put   *putMember // the last Put, which may yet be dropped
	noted noter
}

// putMember is a member that was read.
type putMember struct {
	entry   weave.Entry // without the padding of the content before
	path    string
	state   volume.State
	content *intake.Stream
}

// now gives the time by the clock of the folder's file system.
func (f *Folder) now() time.Time {
	if f.Now == nil {
		return time.Now()
	}
	return f.Now()
}

// newFolderSink makes the sink for a walk that began at start.
func (s *session) newFolderSink(ctx context.Context, v Volume, start time.Time, reread bool) (*folderSink, error) {
	t := &volumeTaken{
		record:  format.Volume{Name: v.Name, MountPath: v.MountPath, Source: v.Source, Tar: true},
		Strands: s.NewStrands(),
	}
	t.States = s.Intake.Stream(intake.Listing)
	f := &folderSink{s: s, t: t, start: start.UnixNano()}
	var err error
	if f.cutter, err = s.newCutter(); err != nil {
		return nil, err
	}
	if !reread {
		f.prior = s.openPrior(ctx, v)
		t.firstRead = f.prior == nil
	}
	if s.Intake.Follows() {
		err = s.followVolume(ctx, t, f.before(ctx, v))
	}
	if err == nil {
		f.listing, err = s.newFolderListing(t, f.prior)
	}
	if err != nil {
		f.prior.close()
	}
	return f, err
}

// before gives what the folder's contents were before, or nil. Where nothing is taken over, whoever captured it last serves: what
// is found so only tells what to hold against what.
func (f *folderSink) before(ctx context.Context, v Volume) *format.Volume {
	if f.prior != nil {
		return f.prior.record
	}
	return f.s.latestRead(ctx, v)
}

// Find implements volume.Sink.
func (f *folderSink) Find(path string, state *volume.State) (any, error) {
	if found := f.prior.find(path, state); found != nil {
		found.path = path
		return found, nil
	}
	return nil, nil
}

// TakeOver implements volume.Sink.
func (f *folderSink) TakeOver(found any) error {
	if err := f.commit(); err != nil {
		return err
	}
	m := found.(*priorMember)
	for _, c := range m.chunks {
		if err := f.s.Intake.PutKnownTimes(f.t.Contents, c.ref, c.length, c.times); err != nil {
			return err
		}
	}
	f.t.reused++
	return f.listing.keep(m)
}

// Put implements volume.Sink.
func (f *folderSink) Put(path string, state *volume.State, header []byte, content io.Reader, size int64) error {
	if err := f.commit(); err != nil {
		return err
	}
	p := &putMember{entry: weave.NewEntry(tarstream.Entry, header), path: path, state: *state}
	if size > 0 {
		f.read = true
		p.content = f.s.Intake.Draft(intake.Contents)
		var err error
		if p.entry.Length, p.entry.Chunks, err = f.s.takeContent(content, f.cutter, p.content); err != nil {
			return err
		}
		if p.entry.Length != uint64(size) {
			return fmt.Errorf("reading %s: %d bytes of %d", path, p.entry.Length, size)
		}
	}
	f.put = p
	return nil
}

// Drop implements volume.Sink.
func (f *folderSink) Drop() error {
	f.put = nil
	return nil
}

// commit makes the last Put part of the volume.
func (f *folderSink) commit() error {
	p := f.put
	if p == nil {
		return nil
	}
	f.put = nil
	if p.content != nil {
		if err := f.s.Intake.Append(f.t.Contents, p.content); err != nil {
			return err
		}
	}
	return f.listing.write(p.path, p.entry, f.lasting(p.path, &p.state))
}

// finish ends the stream.
func (f *folderSink) finish() error {
	err := f.commit()
	if err == nil && f.t.reused > 0 {
		err = f.prior.check(f.s.Entries)
	}
	if err != nil {
		return err
	}
	if err := f.listing.finish(); err != nil {
		return err
	}
	f.t.record.Members, f.t.record.Length = f.listing.members, f.listing.length
	return nil
}

// unchangedContents gives the recipe of the contents of the capture before, if no file was
// read and all is there that it names. Where the contents are the same, it serves again:
// of a volume that changed often it is long.
func (f *folderSink) unchangedContents(ctx context.Context) *format.Recipe {
	p := f.prior
	if p == nil || f.read || p.located != p.contents.Chunks {
		return nil
	}
	for level := range p.contents.Level {
		for run, err := range f.s.r.slabs.Runs(ctx, &format.Recipe{Level: level, Runs: p.contents.Runs}) {
			if err != nil {
				return nil
			}
			for n := range run.Count {
				if _, _, ok := p.locator.Find(weave.Place{Slab: run.Slab, Chunk: run.First + n}); !ok {
					return nil
				}
			}
			f.s.Use(run)
		}
	}
	return p.contents
}

// lasting gives what is noted of a file that was read, or nothing, which fits no
// file, if it changed so shortly before that a further change might get the same
// times.
func (f *folderSink) lasting(path string, s *volume.State) *format.State {
	grain := fineGrain
	if s.Changed%int64(time.Second) == 0 && s.Modified%int64(time.Second) == 0 {
		grain = coarseGrain
	}
	if s.Changed >= f.start-int64(grain) {
		return &format.State{}
	}
	return f.noted.state(path, s)
}

// How coarse the times of files may be: those of local file systems are as fine
// as the system's clock ticks, 100 times a second at the least; some shares and
// memory cards keep every other second.
const (
	fineGrain   = 50 * time.Millisecond
	coarseGrain = 2 * time.Second
)
