package volume

import (
	"context"
	"io"
	"io/fs"
	"runtime"
	"sync"
)

// A Sink takes the members that [Walk] finds, in the order of [WriteTar]'s stream.
type Sink interface {
	// Find is asked for each member before its attributes and content are read, where
	// the file system keeps change times (see ReadReport.NoChangeTimes). If
	// it returns anything but nil, the sink has the member from an earlier Walk that
	// found it in the same state: TakeOver is called in its turn in place of Put.
	// Find runs ahead of the other methods, in another goroutine.
	Find(path string, state *State) (found any, err error)

	// TakeOver takes what Find found.
	TakeOver(found any) error

	// Put takes a member: its tar header, extended headers included, and its
	// content, of which it must read exactly size bytes. Neither is valid after it.
	Put(path string, state *State, header []byte, content io.Reader, size int64) error

	// Drop undoes the last Put, because the file changed while it was read. It is
	// put again.
	Drop() error
}

// State is by what a file that changed is told from one that did not: whatever
// changes content, attributes or mode also changes one of these. States are
// compared with ==.
type State struct {
	Kind               fs.FileMode // type bits only
	Perm               int64       // permission, setuid, setgid and sticky bits as POSIX numbers them
	UID, GID           int
	User, Group        string
	Size               int64 // bytes
	Modified           int64 // nanoseconds since 1970
	Changed            int64 // the same, of attributes and mode too (st_ctime); 0 where the system has none
	Device, Inode      uint64
	DevMajor, DevMinor int64
	Link               string // of a hard link, the member that it is a link to
}

// attempts is how often a file that changes is read before it is taken as it is.
const attempts = 3

// Walk reads the folder at dir and gives its members to sink. All that [WriteTar]
// says of names, order, contents and errors holds for it. A file that changes
// while it is read is put again, up to three times in all, and is reported as
// changed if it never held still. Several files are read at a time. Links on the way to dir are followed
// by the rule of [OpenFolder].
func Walk(ctx context.Context, dir string, sink Sink, o ReadOptions) (*ReadReport, error) {
	return walk(ctx, dir, sink, o, attempts)
}

// walk is Walk with a number of attempts.
func walk(ctx context.Context, dir string, sink Sink, o ReadOptions, tries int) (*ReadReport, error) {
	o.fill()
	exclude, err := newExcluder(o.Exclude)
	if err != nil {
		return nil, err
	}
	top, err := openDoor(dir)
	if err != nil {
		return nil, err
	}
	st, err := top.stat(".")
	if err == nil && o.Flush {
		err = top.flushAll()
	}
	if err != nil {
		top.close()
		return nil, err
	}
	ctx, cancel := context.WithCancel(ctx)
	sights, used := make(chan []sight, sightBatches), make(chan []sight, sightBatches)
	c := &scanner{opts: o, exclude: exclude, dev: st.dev, out: sights, free: used}
	w := &walker{
		opts: o, sink: sink, names: newOwners(), linked: make(map[inode]string), in: sights, used: used,
		turn: make(chan []job, batchesAhead), free: make(chan []job, batchesAhead),
		load: make(chan *job, filesAhead), room: make(chan struct{}, filesAhead),
	}
	_, nothingFound := sink.(*tarSink)
	w.times = changeTimes{clock: o.clock, look: !nothingFound, trusted: make(map[uint64]bool)}
	d := &delivery{opts: o, sink: sink, attempts: tries, report: &ReadReport{}, room: w.room, used: w.free}
	defer func() { d.report.Excluded, d.report.CacheFolders = c.excluded, c.caches }()
	defer func() { d.report.LeftOut = c.leftOut }()
	defer func() { d.report.NoChangeTimes = w.times.missed }()
	defer func() { discardSights(c.lost) }()
	var running sync.WaitGroup
	defer running.Wait()
	defer w.drain()
	defer cancel()
	for range runtime.GOMAXPROCS(0) + 1 {
		running.Go(func() { w.loadFiles(ctx) })
	}
	running.Go(func() { c.run(ctx, share(top)) })
	running.Go(func() { w.run(ctx) })
	return d.report, d.run(ctx, w.turn)
}

// drain closes the files that were opened and not delivered.
func (w *walker) drain() {
	for jobs := range w.turn {
		discardJobs(jobs)
	}
}

func discardJobs(jobs []job) {
	for i := range jobs {
		jobs[i].discard()
	}
}

// discard closes the file of a job that is not delivered.
func (j *job) discard() {
	if j.ready != nil {
		<-j.ready
	}
	if j.file != nil {
		j.file.close()
	}
}

const (
	sightBatches = 16        // batches of what was seen that wait: each may keep its folders open
	batchesAhead = 4         // batches of jobs that wait for the next stage
	filesAhead   = 64        // files that are open ahead of the sink
	loadLimit    = 128 << 10 // up to this size files are read ahead, in bytes
)

// job is one member, or a note, on its way to the sink.
type job struct {
	member string
	err    error
	note   string // why the member is left out
	found  any    // by the sink

	state  *State
	header []byte
	file   *loaded       // of a regular file
	ready  chan struct{} // of a regular file: closed when file, note and err are set

	folder *sharedFolder // of a regular file that is yet to be opened, until loading is done
	name   string

	restless string // how a folder changed meanwhile
}

// delivery gives jobs to the sink, in order, in the goroutine that called Walk.
type delivery struct {
	opts     ReadOptions
	sink     Sink
	attempts int
	report   *ReadReport
	room     <-chan struct{} // as of the walker
	used     chan<- []job    // to be used again
}

func (d *delivery) run(ctx context.Context, turn <-chan []job) error {
	for jobs := range turn {
		for i := range jobs {
			if err := d.turnOf(ctx, &jobs[i]); err != nil {
				discardJobs(jobs[i+1:])
				return err
			}
		}
		clear(jobs)
		select {
		case d.used <- jobs[:0]:
		default:
		}
	}
	return ctx.Err()
}

// turnOf delivers a job when it is ready.
func (d *delivery) turnOf(ctx context.Context, j *job) error {
	if j.ready != nil {
		<-j.ready // closed by a worker, which heeds ctx
		defer func() { <-d.room }()
	}
	if err := ctx.Err(); err != nil {
		j.discard()
		return err
	}
	return d.deliver(ctx, j)
}

func (d *delivery) deliver(ctx context.Context, j *job) error {
	switch {
	case j.err != nil:
		return j.err
	case j.note != "":
		d.report.Skipped = append(d.report.Skipped, Note{notePath(j.member), j.note, 1})
		return nil
	case j.restless != "":
		d.report.Changed = append(d.report.Changed, Note{notePath(j.member), j.restless, 1})
		return nil
	case j.found != nil:
		d.count(j.member, j.state.Size)
		return writeError(j.member, d.sink.TakeOver(j.found))
	case j.file != nil:
		return d.putFile(ctx, j)
	}
	d.count(j.member, 0)
	return writeError(j.member, d.sink.Put(j.member, j.state, j.header, noContent{}, 0))
}

func (d *delivery) count(member string, size int64) {
	if d.opts.OnEntry != nil {
		d.opts.OnEntry(notePath(member), size)
	}
	d.report.Members++
}

// putFile gives a regular file to the sink, again while it changes.
func (d *delivery) putFile(ctx context.Context, j *job) error {
	defer j.file.close()
	for _, name := range j.file.left {
		d.report.Skipped = append(d.report.Skipped, Note{notePath(j.member), attributeLeft(name), 1})
	}
	d.count(j.member, j.file.m.size)
	for attempt := 1; ; attempt++ {
		f := j.file
		if err := d.sink.Put(j.member, f.state, f.header, f.content(ctx), f.m.size); err != nil {
			return writeError(j.member, err)
		}
		changed, err := f.changed()
		if err != nil || changed == "" {
			return err
		}
		if attempt >= d.attempts {
			d.report.Changed = append(d.report.Changed, Note{notePath(j.member), changed, 1})
			return nil
		}
		if err := d.sink.Drop(); err != nil {
			return writeError(j.member, err)
		}
		if err := f.again(); err != nil {
			return err
		}
	}
}

type noContent struct{}

func (noContent) Read([]byte) (int, error) { return 0, io.EOF }
