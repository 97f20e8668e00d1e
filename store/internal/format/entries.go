package format

import "io"

// EntryReader reads a member list.
type EntryReader struct{ seq *sequence }

// NewEntryReader reads the entries in r.
func NewEntryReader(r io.Reader) *EntryReader { return &EntryReader{newSequence(r)} }

// Next gives the next entry, or io.EOF after the last. The entry is the
// caller's to keep.
func (r *EntryReader) Next() (Entry, error) {
	var e Entry
	if err := r.seq.next(&e); err != nil {
		return Entry{}, err
	}
	if e.Kind > maxEntryKind {
		return Entry{}, unknownPart("entry kind %d", e.Kind)
	}
	if e.Header != nil && len(e.Header) == 0 || (e.Length == 0) != (e.Chunks == 0) || e.Chunks > e.Length {
		return Entry{}, damaged("an entry of %d header bytes and %d chunks for %d bytes", len(e.Header), e.Chunks, e.Length)
	}
	return e, e.checkCuts()
}

// Bytes gives how many bytes of the list have been given as entries.
func (r *EntryReader) Bytes() uint64 { return uint64(r.seq.done) }

// MaxCuts bounds the cuts of a header. It is tarstream.MaxCuts.
const MaxCuts = 64

func (e *Entry) checkCuts() error {
	if e.Cuts != nil && len(e.Cuts) == 0 || len(e.Cuts) > MaxCuts {
		return damaged("an entry of %d cuts", len(e.Cuts))
	}
	for _, c := range e.Cuts {
		if c.Length == 0 || c.Length > MaxMemberHead {
			return damaged("a cut of %d bytes", c.Length)
		}
	}
	if UnpackedLength(e.Header)+e.StampsLength() > MaxMemberHead {
		return damaged("an entry whose header is of more than %d bytes", MaxMemberHead)
	}
	return nil
}

// StampsLength gives the number of bytes that the cuts took out.
func (e *Entry) StampsLength() int {
	n := 0
	for _, c := range e.Cuts {
		n += int(c.Length)
	}
	return n
}
