package take

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"maps"
	"slices"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// A capture looks into some folders of slabs, in turn: into two, and all of them within 128 captures of a service, which costs each
// some fifteen calls where 1,000 slabs are there; or into one, where a folder has very many.
const (
	lookInto = 2
	lookMany = 500
)

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
	note := vault.Note[format.ReliedRecord](s.r.vault, format.Relied, reliedName(s.o))
	known := note != nil && !note.Open
	own := ""
	if known {
		own = note.Capture
	}
	if err := s.listCaptures(ctx, own); err != nil {
		return nil, err
	}
	if !known {
		s.looksBack = true
		s.noteOpen(&format.ReliedRecord{})
		return nil, nil
	}
	s.before = note
	open := *note
	s.noteOpen(&open)
	there := ledger.FilesOf(s.files, note.Capture)
	if generation, ok := ledger.HighestGenerations(there)[note.Capture]; !ok || generation != 0 {
		s.looksBack = !slices.ContainsFunc(there, func(i storage.Info) bool { return i.Name == names.Capture(note.Capture, 0) })
		return nil, nil // what it needs may have been moved since
	}
	all, err := s.listsAll(ctx)
	if err != nil {
		return nil, err
	}
	relied := &stock.Relied{Slabs: make(map[format.SlabID]bool, len(note.Slabs)), All: all, Service: reliedName(s.o)}
	if !s.o.whole && !all {
		relied.Tables = pinnedBy(note)
	}
	for _, id := range note.Slabs {
		relied.Slabs[id] = true
	}
	for i := range lookedInto(note) {
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

// noteDrafted notes that what was begun has ended, and the capture before is still the last one. What was stored since is known to
// the next one, too.
func (s *session) noteDrafted() {
	if s.before == nil {
		return
	}
	note := *s.before
	if len(note.Tables) > 0 {
		s.pinTables(&note, pinnedBy(s.before))
	}
	vault.PutNote(s.r.vault, format.Relied, reliedName(s.o), &note)
}

// noteRelied notes what the capture relies on.
func (s *session) noteRelied(c *ledger.Capture) {
	record := &format.ReliedRecord{Capture: c.ID, Seen: time.Now().UnixNano()}
	for id := range s.Uses {
		record.Slabs = append(record.Slabs, id)
	}
	if b := s.before; b != nil {
		record.Next = (b.Next + uint64(lookedInto(b))) % vault.SlabFolders
		record.Looked = uint64(s.loaded.Looked / lookedInto(b))
		if s.there == nil {
			record.Seen = b.Seen
		}
	}
	var tables []storage.Info
	if s.loaded.Rest != nil && s.rest == nil {
		tables = pinnedBy(s.before) // they have what was there lately, too
		record.Alone = s.before.Alone
		if len(s.wrote) > 0 {
			record.Alone++
		}
	}
	s.pinTables(record, tables)
	s.noteCrowds(record)
	vault.PutNote(s.r.vault, format.Relied, reliedName(s.o), record)
}

// noteCrowds notes on what many frames stand that the capture relies on. By the pinned tables alone that isn't known: they do not
// list what earlier captures put on it.
func (s *session) noteCrowds(record *format.ReliedRecord) {
	switch all := cmp.Or(s.rest, s.loaded); {
	case all.Rest == nil && all.Crowds != nil:
		record.Crowds = s.crowds.Noted(s.Uses)
	case s.before != nil:
		record.Crowds = s.before.Crowds
	}
}

// crowdsOf gives what stands on what, with what was noted where that is not known of all.
func (s *session) crowdsOf(loaded *stock.Loaded) *intake.Crowds {
	crowds := cmp.Or(loaded.Crowds, new(intake.Crowds))
	if s.before != nil && (loaded.Rest != nil || loaded.Crowds == nil) {
		crowds.Recall(s.before.Crowds)
	}
	return crowds
}

// pinTables pins the tables that list what the session relies on, beside some others, and notes them: none where one is not known.
func (s *session) pinTables(record *format.ReliedRecord, tables []storage.Info) {
	before := pinnedBy(s.before)
	record.Tables, record.Lengths = nil, nil
	for _, t := range s.r.stock.Pin(reliedName(s.o), s.tablesUsed(tables), before) {
		record.Tables, record.Lengths = append(record.Tables, t.Name), append(record.Lengths, uint64(t.Size))
	}
}

// tablesUsed gives the tables that list the slabs that the session relies on, beside some others, or none where one is not known.
func (s *session) tablesUsed(tables []storage.Info) []storage.Info {
	listed := s.loaded.TablesOf(s.Uses)
	if s.rest != nil {
		maps.Copy(listed, s.rest.TablesOf(s.Uses))
	}
	maps.Copy(listed, s.wrote)
	all := make(map[string]storage.Info)
	for _, t := range tables {
		all[t.Name] = t
	}
	for id := range s.Uses {
		t, ok := listed[id]
		if !ok {
			return nil
		}
		all[t.Name] = t
	}
	return slices.Collect(maps.Values(all))
}

// pinnedBy gives the tables that a note has.
func pinnedBy(note *format.ReliedRecord) (tables []storage.Info) {
	if note == nil || len(note.Tables) != len(note.Lengths) {
		return nil
	}
	for i, name := range note.Tables {
		tables = append(tables, storage.Info{Name: name, Size: int64(note.Lengths[i])})
	}
	return tables
}

// lookedInto is how many folders the capture after a note looks into.
func lookedInto(note *format.ReliedRecord) int {
	if note.Looked > lookMany {
		return 1
	}
	return lookInto
}

// What a capture stores that it alone may know of before it reads the tables of others, and puts tables beside theirs, which nobody merges
// meanwhile.
const (
	// aloneBytes is about what is read then where 100 machines share a repository: 30,000 names, and a hundred tables a day.
	// At most that much is stored once more though others have it.
	aloneBytes = 1 << 20
	// aloneMost is after how many captures that put tables.
	aloneMost = 8
)

// alone is how many captures put tables since those of others were read, with this one.
func (s *session) alone() int {
	if s.before == nil {
		return 0
	}
	return int(min(s.before.Alone, aloneMost)) + 1
}

// restOf gives what else there is.
func (s *session) restOf(ctx context.Context) (*intake.More, error) {
	rest, err := s.loaded.Rest(ctx)
	if err != nil {
		return nil, err
	}
	s.rest, s.tables = rest, rest.Tables
	return &intake.More{Index: rest.Index, Joined: s.r.stock.ToJoin(ctx, rest.Tables, s.alone()), Crowds: rest.Crowds}, nil
}

// writtenTables are, by slabs, the tables that a session put.
type writtenTables map[format.SlabID]storage.Info

func (w writtenTables) note(info storage.Info, records []*format.SlabRecord) {
	for _, rec := range records {
		w[rec.Slab] = info
	}
}
