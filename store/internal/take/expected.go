package take

import (
	"context"
	"slices"
	"strings"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
)

// expected is what a stream's contents are probably made of: the chunks of the
// latest capture of the same volume. Where a content goes on with the one that
// is next, its end need not be searched for, which is the most work there is in
// what did not change. Each is compared by its identity, so a capture is the
// same with or without. Its methods work on nil, which expects nothing.
//
// Whatever goes wrong only ends the expecting.
type expected struct {
	start  func() <-chan []expectedChunk // nil once it was called
	cancel context.CancelFunc
	blocks <-chan []expectedChunk // in order
	hasher *crypt.Hasher

	next []expectedChunk // that have come
	lost bool            // the contents did not go on with the first of next
	at   int64           // in the contents before, where those at hand are now
}

type expectedChunk struct {
	ref    known.Ref
	length int
	id     crypt.Identity
	at     int64 // in the contents it was in
}

const (
	// Only a stream that has come to so many bytes is worth the calls to the
	// storage.
	expectedFrom = 4 << 20

	expectedCaptures = 64  // among so many, at the most, the one before is looked for
	expectedBlock    = 512 // chunks that are looked up together
	// Where contents went on with another chunk, they are looked for again among
	// the chunks up to so many bytes before and behind the place, but no more than
	// so many chunks: what was inserted or deleted at once must be shorter.
	expectedBefore = 4 << 20
	expectedBehind = 16 << 20
	expectedMost   = 2 * expectedBlock
)

// expect prepares to look up the chunks of the latest capture of a volume that
// is read as a stream.
func (s *session) expect(ctx context.Context, v Volume) *expected {
	ctx, cancel := context.WithCancel(ctx)
	start := func() <-chan []expectedChunk {
		blocks := make(chan []expectedChunk, 2)
		go func() {
			defer close(blocks)
			if before := s.latestRead(ctx, v); before != nil && before.Contents != nil {
				s.lookUp(ctx, before.Contents, blocks)
			}
		}()
		return blocks
	}
	return &expected{start: start, cancel: cancel, hasher: s.r.vault.Keys().NewHasher()}
}

// latestRead gives a volume as the latest of the last captures has it,
// retired ones too, or nil. Where none of several has that name, it is what likely was it under another one.
func (s *session) latestRead(ctx context.Context, v Volume) *format.Volume {
	if c := s.lastCapture(ctx); c != nil {
		s.r.ledger.Recall(ctx, s.files, []*ledger.Capture{c})
		if found := readAmong([]*ledger.Capture{c}, s.o, v); found != nil {
			return found
		}
	}
	all := ledger.Generations(s.files)
	// As many at a time as are read at once, the newest first.
	for range expectedCaptures / vault.Few {
		from := max(0, len(all)-vault.Few)
		captures, _, _, err := s.r.ledger.Read(ctx, all[from:])
		if err != nil || len(captures) == 0 {
			return nil
		}
		s.r.ledger.Recall(ctx, s.files, captures)
		if found := readAmong(captures, s.o, v); found != nil {
			return found
		}
		if found := renamedAmong(captures, s.o, v); found != nil {
			return found
		}
		all = all[:from]
	}
	return nil
}

func readAmong(captures []*ledger.Capture, o Options, v Volume) *format.Volume {
	for _, c := range slices.Backward(captures) {
		if c.Name != o.Name || c.Host != o.Host {
			continue
		}
		for i := range c.Volumes {
			if r := &c.Volumes[i]; r.Name == v.Name {
				return r
			}
		}
	}
	return nil
}

// renamedAmong is readAmong for a volume that had another name: where it is the only one of the capture, and that before had
// one, or where the names differ in digits alone, as those of tarballs with a version.
func renamedAmong(captures []*ledger.Capture, o Options, v Volume) *format.Volume {
	for _, c := range slices.Backward(captures) {
		if c.Name != o.Name || c.Host != o.Host {
			continue
		}
		only := len(o.Volumes) == 1 && len(c.Volumes) == 1
		for i := range c.Volumes {
			r := &c.Volumes[i]
			taken := slices.ContainsFunc(o.Volumes, func(other Volume) bool { return other.Name == r.Name })
			if !taken && (only || withoutDigits(r.Name) == withoutDigits(v.Name)) {
				return r
			}
		}
	}
	return nil
}

func withoutDigits(name string) string {
	return strings.Map(func(r rune) rune {
		if '0' <= r && r <= '9' {
			return -1
		}
		return r
	}, name)
}

// lookUp sends the chunks of contents, with all that the index and the slabs say
// of them.
func (s *session) lookUp(ctx context.Context, contents *format.Recipe, to chan<- []expectedChunk) {
	next, stop := weave.PullPlaces(ctx, s.r.slabs.Runs(ctx, contents))
	defer stop()
	l := weave.Locator{Index: s.index}
	for at := int64(0); ; {
		block := make([]expectedChunk, 0, expectedBlock)
		refs := make([]known.Ref, 0, expectedBlock)
		for len(block) < cap(block) {
			place, err, ok := next()
			if err != nil || !ok {
				break
			}
			if ref, n, ok := l.Find(place); ok {
				block = append(block, expectedChunk{ref: ref, length: n, at: at})
				refs = append(refs, ref)
				// Chunks that the index lacks are left out, and their lengths with them: places are
				// for the search nearby only.
				at += int64(n)
			} else {
				s.nameNeeded(place.Slab)
			}
		}
		if len(block) == 0 {
			return
		}
		ids, err := s.Intake.Resolve(ctx, refs)
		if err != nil {
			return
		}
		for i := range block {
			block[i].ref, block[i].id = refs[i], ids[i]
		}
		select {
		case to <- block:
		case <-ctx.Done():
			return
		}
	}
}

// close ends the looking up, before the session ends.
func (x *expected) close() {
	if x == nil {
		return
	}
	x.cancel()
	if x.blocks != nil {
		for range x.blocks { // until it has ended
		}
	}
}

// take gives the next chunk if it is the expected one.
func (x *expected) take(cutter *chunk.Cutter) (c expectedChunk, ok bool) {
	if x == nil || x.lost || cutter.Done() || !x.more() {
		return c, false
	}
	c = x.next[0]
	if cutter.Take(c.length, func(b []byte) bool { return x.hasher.Sum(b) == c.id }) == nil {
		// At the end of a content nothing is left that could have gone another way.
		x.lost = !cutter.Done()
		return c, false
	}
	// It was compared by its identity: no guess ever gets into a capture.
	x.next = x.next[1:]
	x.at += int64(c.length)
	return c, true
}

// more makes sure that there is a next chunk, if it has come by now.
func (x *expected) more() bool {
	if len(x.next) == 0 {
		x.receive()
	}
	return len(x.next) > 0
}

// receive takes in another block if it is there, and tells whether it was.
func (x *expected) receive() bool {
	select {
	case block := <-x.blocks:
		x.next = append(x.next, block...)
		return len(block) > 0
	default:
		return false
	}
}

// passed says that the contents went on with another chunk. If that is one
// expected soon, what follows it is expected next. The looking up begins here.
func (x *expected) passed(b []byte) {
	if x == nil {
		return
	}
	x.at += int64(len(b))
	if x.start != nil && x.at >= expectedFrom {
		// Beside the cutting: what has not come by the time it is asked for is not waited for.
		x.blocks, x.start = x.start(), nil
	}
	x.lost = true
	x.move()
	if i := x.find(b); i >= 0 {
		x.at = x.next[i].at + int64(len(b)) // whatever was inserted or deleted before
		x.next, x.lost = x.next[i+1:], false
	}
}

// find gives the place of a chunk in next, or -1.
func (x *expected) find(b []byte) int {
	var id crypt.Identity
	hashed := false
	for i := range x.next {
		c := &x.next[i]
		if c.length != len(b) {
			continue
		}
		if !hashed { // once: many small contents have one length
			id, hashed = x.hasher.Sum(b), true
		}
		if c.id == id {
			return i
		}
	}
	return -1
}

// move keeps the chunks near the place where the contents are.
func (x *expected) move() {
	for len(x.next) > 0 && x.next[0].at < x.at-expectedBefore {
		x.next = x.next[1:]
	}
	for len(x.next) < expectedMost && (len(x.next) == 0 || x.next[len(x.next)-1].at < x.at+expectedBehind) {
		if !x.receive() {
			return
		}
	}
}
