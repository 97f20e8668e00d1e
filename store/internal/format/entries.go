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
	if e.Header != nil && len(e.Header) == 0 || len(e.Header) > MaxMemberHead || (e.Length == 0) != (e.Chunks == 0) || e.Chunks > e.Length {
		return Entry{}, damaged("an entry of %d header bytes and %d chunks for %d bytes", len(e.Header), e.Chunks, e.Length)
	}
	return e, nil
}
