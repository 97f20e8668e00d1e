package volume

import (
	"archive/tar"
	"errors"
	"io"
	"io/fs"
	"iter"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
)

// handed are the files that were handed to workers. To make a small file takes longer than all else
// about it, and a system makes files in one folder one after the other: so consecutive small files of a
// folder go to one worker, up to maxInRow, those of the next folder to another. The content of a large
// file is read into buffers while its worker writes those that are full.
//
// The reader of the stream waits for a file before it touches its name, and takes in what became of
// files in the order of the stream, so that the outcome is that of one after the other.
type handed struct {
	queues  []chan *handedFile
	queue   chan *handedFile // for files in folder
	folder  string
	inRow   int                    // files in folder that went to queue one after the other
	waiting []*handedFile          // in the order of the stream
	byName  map[string]*handedFile // one of each name
	below   map[string]int         // files below each folder
	deep    int                    // files that wait and are in neither, since they lie too deep
	bytes   int                    // in waiting

	generation int         // counts folders that were removed: a worker may have one open
	stop       atomic.Bool // the files that wait are no longer wanted
	failed     error       // of the first file that did
	running    sync.WaitGroup
}

const (
	maxWaiting      = 4096     // files: enough that several folders of usual size are at work
	maxWaitingBytes = 16 << 20 // of contents, names and attributes
	maxBeside       = 1000     // folders: a file that lies deeper is waited for before anything else is made
	maxInRow        = 64       // files of one folder: one that has all files should have several workers
)

// handedFile is a regular file whose content is in memory or, of a large one, comes.
type handedFile struct {
	finisher
	member, dir string
	name        string  // as in byName
	place       place   // its folder is set by the worker
	deep        bool    // see maxBeside
	data        []byte  // of a small one
	large       *inflow // or else
	state       *traits
	opts        *ExtractOptions
	generation  int
	size        int    // about what it takes in memory
	after       []loss // of members that come after it and before the next file

	done    chan struct{} // closed when the fields below are set
	skipped bool
	cleared bool // something was in the way, and was removed
	err     error
}

// memory is about what the file takes in memory.
func (s *handedFile) memory() int {
	n := 1024 + len(s.data) + len(s.place.clean)
	for _, a := range s.state.attrs {
		n += len(a.name) + len(a.value)
	}
	return n
}

// foldName makes one name of those that a file system may take for one.
func foldName(clean string) string { return strings.ToLower(clean) }

// newFile gives a file to be handed on, without its content.
func (e *extractor) newFile(h *tar.Header, p place) *handedFile {
	s := &handedFile{
		finisher: finisher{uid: e.uid, gid: e.gid}, member: h.Name, place: place{nil, p.name, p.clean},
		opts: &e.opts, name: foldName(p.clean), state: e.state(h, p.clean), done: make(chan struct{}),
	}
	s.dir, _ = split(p.clean)
	s.deep = isDeep(p.clean)
	return s
}

// isDeep tells whether a path lies so deep that looking at all folders above it takes too long.
func isDeep(clean string) bool { return strings.Count(clean, "/") > maxBeside }

// hand gives a small file to a worker.
func (e *extractor) hand(h *tar.Header, p place, content *memberReader) error {
	s := e.newFile(h, p)
	s.data = make([]byte, h.Size)
	if _, err := io.ReadFull(content, s.data); err != nil {
		return unexpected(err)
	}
	e.report.Bytes += h.Size
	return e.queue(s)
}

// queue waits until there is room, and queues a file.
func (e *extractor) queue(s *handedFile) error {
	s.size = s.memory()
	for len(e.handed.waiting) >= maxWaiting || e.handed.bytes > maxWaitingBytes {
		if err := e.settle(e.handed.waiting[0]); err != nil {
			return err
		}
	}
	e.handed.add(e.top, s)
	return nil
}

// add queues a file.
func (w *handed) add(top *folder, s *handedFile) {
	if w.queues == nil {
		w.start(top)
	}
	w.choose(s)
	s.generation = w.generation
	w.waiting = append(w.waiting, s)
	w.note(s, 1)
	w.bytes += s.size
	w.queue <- s
}

// note notes where a file is, or with -1 that it is no more.
func (w *handed) note(s *handedFile, n int) {
	switch {
	case s.deep:
		w.deep += n
		return
	case n > 0:
		w.byName[s.name] = s
	default:
		delete(w.byName, s.name)
	}
	w.count(s.name, n)
}

// choose chooses the worker for a file.
func (w *handed) choose(s *handedFile) {
	if w.inRow++; w.queue != nil && s.dir == w.folder && w.inRow < maxInRow && s.large == nil {
		return
	}
	w.folder, w.inRow, w.queue = s.dir, 0, w.queues[0]
	for _, q := range w.queues[1:] {
		if len(q) < len(w.queue) {
			w.queue = q
		}
	}
}

// start starts the workers.
func (w *handed) start(top *folder) {
	w.byName, w.below = make(map[string]*handedFile), make(map[string]int)
	for range runtime.GOMAXPROCS(0) + 1 {
		q := make(chan *handedFile, maxWaiting)
		w.queues = append(w.queues, q)
		w.running.Go(func() { w.write(top, q) })
	}
}

// end ends the workers.
func (w *handed) end() {
	for _, q := range w.queues {
		close(q)
	}
	w.running.Wait()
}

// write is a worker.
func (w *handed) write(top *folder, queue <-chan *handedFile) {
	at := cursor{top: top}
	defer at.cut(0)
	generation := 0
	for s := range queue {
		if s.generation != generation {
			at.cut(0)
			generation = s.generation
		}
		if s.skipped = w.stop.Load(); !s.skipped {
			s.err = s.write(&at)
		}
		s.large.drain()
		s.data = nil
		close(s.done)
	}
}

// write makes the file in its folder, which the reader of the stream has made.
func (s *handedFile) write(at *cursor) error {
	var err error
	if s.place.d, err = at.at(s.dir, nil); err != nil {
		return err
	}
	f, err := s.place.d.create(s.place.name, s.firstMode(s.state))
	if errors.Is(err, fs.ErrExist) {
		if err := s.place.clear(s.member); err != nil {
			return err
		}
		s.cleared = true
		at.drop(s.place.clean)
		f, err = s.place.d.create(s.place.name, s.firstMode(s.state))
	}
	if err != nil {
		return err
	}
	if s.large != nil {
		err = s.large.writeTo(f, s.opts.WriteZeros)
	} else {
		err = writeWhole(f, s.data, s.opts.WriteZeros)
	}
	return s.completeFile(s.place, f, s.state, s.opts.Sync, err)
}

// writeWhole writes the whole content of a file.
func writeWhole(f *file, data []byte, zeros bool) error {
	hole, err := writeBlocks(f, data, 0, zeros)
	if err == nil && hole {
		err = f.truncate(int64(len(data)))
	}
	return err
}

// settleAt waits for the files that are at a path, on the way to it or below it.
func (e *extractor) settleAt(clean string) error {
	if len(e.handed.waiting) == 0 {
		return nil
	}
	name := foldName(clean)
	if e.handed.deep > 0 || isDeep(clean) || e.handed.below[name] > 0 {
		return e.settle(nil)
	}
	for above := range foldersAbove(name) {
		if s := e.handed.byName[above]; s != nil {
			return e.settle(s)
		}
	}
	if s := e.handed.byName[name]; s != nil {
		return e.settle(s)
	}
	return nil
}

// foldersAbove yields the folders above a clean path, the outermost first.
func foldersAbove(path string) iter.Seq[string] {
	return func(yield func(string) bool) {
		for i := range len(path) {
			if path[i] == '/' && !yield(path[:i]) {
				return
			}
		}
	}
}

// count adds n to the number of files below each folder above a path.
func (w *handed) count(name string, n int) {
	for above := range foldersAbove(name) {
		w.below[above] += n
		if w.below[above] == 0 {
			delete(w.below, above)
		}
	}
}

// settleDone takes in what became of files, as far as it is known.
func (e *extractor) settleDone() error {
	for len(e.handed.waiting) > 0 {
		select {
		case <-e.handed.waiting[0].done:
			e.takeIn()
		default:
			return e.handed.failed
		}
	}
	return e.handed.failed
}

// settle waits for files up to last, or for all if that is nil. It fails if any file did.
func (e *extractor) settle(last *handedFile) error {
	for len(e.handed.waiting) > 0 {
		s := e.handed.waiting[0]
		<-s.done
		e.takeIn()
		if s == last {
			break
		}
	}
	return e.handed.failed
}

// takeIn takes in what became of the first file.
func (e *extractor) takeIn() {
	w := &e.handed
	s := w.waiting[0]
	w.waiting[0] = nil
	w.waiting = w.waiting[1:]
	w.bytes -= s.size
	w.note(s, -1)
	if s.cleared {
		e.cleared(s.place.clean)
	}
	e.note(s.losses)
	e.note(s.after)
	switch {
	case s.err == nil && !s.skipped:
		e.report.Members++
	case w.failed == nil && s.err != nil:
		w.failed = memberError(s.member, s.err)
		w.stop.Store(true)
	}
}

// noteLosses notes what a member that was not handed on has lost, in the order of the stream.
func (e *extractor) noteLosses() error {
	losses := e.losses
	e.losses = nil
	if len(losses) == 0 || len(e.handed.waiting) == 0 {
		e.note(losses)
		return nil
	}
	last := e.handed.waiting[len(e.handed.waiting)-1]
	last.after = append(last.after, losses...)
	if len(last.after) > maxReasons {
		return e.settle(last)
	}
	return nil
}
