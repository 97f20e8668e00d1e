package take

import (
	"bytes"
	"errors"
	"io"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/weave"
	"github.com/kistarchive/kist/store/volume"
)

// folderListing is the member list of a folder being written, with the stamps and
// the states beside it.
type folderListing struct {
	s                    *session
	prior                *prior // nil: nothing is taken over
	list, stamps, states *splicer
	t                    *volumeTaken
	order                *weave.OrderWriter
	encoder              *format.StateEncoder
	packed, scratch      []byte

	before  uint64 // length of the content before
	members uint64
	length  uint64 // of the stream that the entries stand for
}

func (s *session) newFolderListing(t *volumeTaken, p *prior) (*folderListing, error) {
	l := &folderListing{s: s, t: t, prior: p, encoder: format.NewStateEncoder(), order: s.NewOrder(&t.Strands, true)}
	if p == nil {
		p = &prior{}
	}
	var errs [3]error
	l.list, errs[0] = newSplicer(s.Weaver, t.List, p.list)
	l.stamps, errs[1] = newSplicer(s.Weaver, t.Stamps, p.stamps)
	l.states, errs[2] = newSplicer(s.Weaver, t.States, p.states)
	if err := errors.Join(errs[:]...); err != nil {
		return nil, err
	}
	begin := l.encoder.Begin()
	if l.prior != nil {
		return l, l.states.keep(0, uint64(len(begin)))
	}
	return l, l.states.write(begin)
}

// write appends a member.
func (l *folderListing) write(path string, e weave.Entry, state *format.State) error {
	x := format.Extent{Header: uint64(len(e.Rest) + len(e.Stamps)), Length: e.Length, Chunks: e.Chunks}
	var err error
	if x.Entry, err = l.writeEntry(e); err != nil {
		return err
	}
	l.packed = format.PackZeros(l.packed[:0], e.Stamps)
	x.Stamps = uint64(len(l.packed))
	if err := l.stamps.write(l.packed); err != nil {
		return err
	}
	if err := l.states.write(l.encoder.Encode(*state)); err != nil {
		return err
	}
	if err := l.states.write(l.encoder.Extent(&x)); err != nil {
		return err
	}
	return l.count(path, &x)
}

// writeEntry writes an entry, with the padding of the content before in front,
// to the member list, and gives the length of its encoding.
func (l *folderListing) writeEntry(e weave.Entry) (uint64, error) {
	if n := weave.Padding(l.before); n > 0 {
		e.Rest = append(make([]byte, n, n+len(e.Rest)), e.Rest...)
	}
	b := l.s.Entries.Encode(e.Record())
	return uint64(len(b)), l.list.write(b)
}

// count counts a member, and puts it into the order.
func (l *folderListing) count(path string, x *format.Extent) error {
	padding := weave.Padding(l.before)
	n := uint64(padding) + x.Header + x.Length
	l.length += n
	l.before = x.Length
	l.members++
	l.s.Meter.Add(int64(n), true)
	return l.order.Add(weave.CleanPath(path), padding, weave.Extent{List: x.Entry, Stamps: x.Stamps, Chunks: x.Chunks})
}

// keep appends a member that did not change.
func (l *folderListing) keep(m *priorMember) error {
	if weave.Padding(l.before) != m.padding {
		return l.keepBehindOther(m)
	}
	if err := l.list.keep(m.list, m.Entry); err != nil {
		return err
	}
	if err := l.stamps.keep(m.stamps, m.Stamps); err != nil {
		return err
	}
	if err := l.states.keep(m.states, m.record); err != nil {
		return err
	}
	return l.count(m.path, &m.Extent)
}

// keepBehindOther appends a member that did not change, behind a content of
// another length than before: its entry is another one by the padding.
func (l *folderListing) keepBehindOther(m *priorMember) error {
	e, err := l.priorEntry(m)
	if err != nil {
		return err
	}
	x := m.Extent
	if x.Entry, err = l.writeEntry(e); err != nil {
		return err
	}
	if err := l.stamps.keep(m.stamps, m.Stamps); err != nil {
		return err
	}
	if err := l.states.keep(m.states, m.state); err != nil {
		return err
	}
	if err := l.states.write(l.encoder.Extent(&x)); err != nil {
		return err
	}
	return l.count(m.path, &x)
}

// priorEntry gives the entry of a member, without the padding of the content
// before and without stamps.
func (l *folderListing) priorEntry(m *priorMember) (weave.Entry, error) {
	var err error
	if l.scratch, err = l.prior.list.read(l.scratch[:0], m.list, m.Entry); err != nil {
		return weave.Entry{}, err
	}
	reader := format.NewEntryReader(bytes.NewReader(l.scratch))
	f, err := reader.Next()
	if err == nil {
		_, err = reader.Next()
	}
	if err != io.EOF || tarstream.Kind(f.Kind) != tarstream.Entry || f.Length != m.Length || f.Chunks != m.Chunks {
		return weave.Entry{}, errPrior
	}
	e := weave.Entry{Kind: tarstream.Entry, Cuts: f.Cuts, Length: f.Length, Chunks: f.Chunks}
	if e.Rest, err = format.UnpackAll(f.Header); err != nil || len(e.Rest)+f.StampsLength() != m.padding+int(m.Header) {
		return weave.Entry{}, errPrior
	}
	e.Rest = e.Rest[m.padding:]
	return e, nil
}

// finish ends the stream.
func (l *folderListing) finish() error {
	end := weave.NewEntry(tarstream.Bytes, volume.EndMarker())
	n := weave.Padding(l.before) + len(end.Rest)
	l.length += uint64(n)
	l.s.Meter.Add(int64(n), false)
	if _, err := l.writeEntry(end); err != nil {
		return err
	}
	return errors.Join(l.list.finish(), l.stamps.finish(), l.states.finish(), l.t.EndOrder(l.order))
}
