package take

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
)

// lookInto is how many folders of slabs a capture looks into, in turn: all of them within 128 captures of
// a service, which costs each some fifteen calls where 1,000 slabs are there.
const lookInto = 2

// reliedName is where it is noted what the last capture of a service by this machine relies on.
func reliedName(o Options) string {
	sum := sha256.Sum256([]byte(o.Name + "\x00" + o.Host))
	return "relied/" + hex.EncodeToString(sum[:12])
}

// relied gives what the session relies on without listing all slabs: what the last capture of this
// machine needs, if that is there as it was. It gives nil where there is none, where the capture after it
// did not end well, and where somebody else was stopped: slabs that no table lists may be anywhere then. It lists all where a
// verification tells of damage, and where all is read again: what was lost is stored anew then.
//
// The captures are listed here, after the final marks were read: the order counts.
func (s *session) relied(ctx context.Context) (*stock.Relied, error) {
	if err := s.listCaptures(ctx); err != nil {
		return nil, err
	}
	name := reliedName(s.o)
	note := vault.Note[format.ReliedRecord](s.r.vault, format.Relied, name)
	if note == nil || note.Open {
		s.noteOpen(&format.ReliedRecord{})
		return nil, nil
	}
	s.before = note
	open := *note
	s.noteOpen(&open)
	if generation, ok := ledger.HighestGenerations(s.files)[note.Capture]; !ok || generation != 0 {
		return nil, nil // what it needs may have been moved since
	}
	all, err := s.listsAll(ctx)
	if err != nil {
		return nil, err
	}
	relied := &stock.Relied{Slabs: make(map[format.SlabID]bool, len(note.Slabs)), All: all}
	for _, id := range note.Slabs {
		relied.Slabs[id] = true
	}
	for i := range lookInto {
		relied.Look = append(relied.Look, (int(note.Next)+i)%vault.SlabFolders)
	}
	return relied, nil
}

// listsAll tells whether all slabs are to be listed, though it is known what the last capture needs.
func (s *session) listsAll(ctx context.Context) (bool, error) {
	found, err := s.r.ledger.ReadVerifications(ctx)
	if err != nil {
		return false, err
	}
	s.harmTold = slices.ContainsFunc(found.Marks, func(m ledger.Verification) bool { return m.Record.Damaged > 0 })
	if s.harmTold || slices.ContainsFunc(s.o.Volumes, func(v Volume) bool { return v.Folder != nil && v.Folder.Reread }) {
		return true, nil
	}
	return s.r.leases.SomeLeft(ctx, s.lease)
}

// noteOpen notes that a capture has begun.
func (s *session) noteOpen(record *format.ReliedRecord) {
	record.Open = true
	vault.PutNote(s.r.vault, format.Relied, reliedName(s.o), record)
}

// noteDrafted notes that what was begun has ended, and the capture before is still the last one.
func (s *session) noteDrafted() {
	if s.before != nil {
		vault.PutNote(s.r.vault, format.Relied, reliedName(s.o), s.before)
	}
}

// noteRelied notes what the capture relies on.
func (s *session) noteRelied(c *ledger.Capture) {
	record := &format.ReliedRecord{Capture: c.ID}
	for id := range s.Uses {
		record.Slabs = append(record.Slabs, id)
	}
	if s.before != nil {
		record.Next = (s.before.Next + lookInto) % vault.SlabFolders
	}
	vault.PutNote(s.r.vault, format.Relied, reliedName(s.o), record)
}
