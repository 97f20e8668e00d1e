package stock

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// tableWith gives a table that lists slabs, as long as such tables are.
func tableWith(name string, written time.Time, slabs ...int) ListedTable {
	return ListedTable{storage.Info{Name: name, Size: int64(108 + 200*len(slabs)), Modified: written}, slabs}
}

// Slabs have the same numbers in all tables, each once, and only those are added that
// there are, with the length that they have.
func TestInventoryNumbers(t *testing.T) {
	id := func(n byte) format.SlabID { return format.SlabID{n} }
	there := vault.SlabList{{ID: id(1), Info: storage.Info{Size: 100}}, {ID: id(2), Info: storage.Info{Size: 200}}, {ID: id(3), Info: storage.Info{Size: 300}}}
	v := newInventory(there)
	var added []format.SlabID
	for i, test := range []struct {
		table []listedSlab
		want  []int
	}{
		{[]listedSlab{{id(2), 200, 0}, {id(1), 100, 0}, {id(2), 200, 0}}, []int{1, 0}},
		{[]listedSlab{{id(2), 7, 0}, {id(9), 9, 0}, {id(2), 200, 0}, {id(9), 9, 0}}, []int{3, 4, 1}},
		{[]listedSlab{{id(9), 9, 0}, {id(9), 8, 0}}, []int{4, 5}},
		{nil, nil},
		{[]listedSlab{{id(2), 200, 7}, {id(1), 100, 0}}, []int{6, 0}}, // it says something else of slab 2
		{[]listedSlab{{id(2), 200, 0}, {id(2), 200, 7}, {id(2), 200, 8}}, []int{1, 6, 7}},
	} {
		v.begin(storage.Info{Name: fmt.Sprint(i)})
		for _, s := range test.table {
			frame := format.TableFrame{Chunks: []uint32{1}, IDs: make([]byte, 16)}
			frame.IDs[0] = byte(s.sum)
			rec := &format.SlabRecord{Slab: s.id, Length: s.length, Frames: []format.TableFrame{frame}}
			err := v.takeRecord(rec, func(r *format.SlabRecord) error {
				added = append(added, r.Slab)
				return nil
			})
			if err != nil {
				t.Fatal(err)
			}
		}
		if got := v.numbers; !slices.Equal(got, test.want) {
			t.Errorf("table %d: %v", i, got)
		}
	}
	if want := []format.SlabID{id(2), id(1)}; !slices.Equal(added, want) {
		t.Errorf("added %v", added)
	}
	if !slices.Equal(v.contradicted, []format.SlabID{id(2)}) {
		t.Errorf("contradicted %v", v.contradicted)
	}
	if got := v.Unlisted(); !slices.Equal(got, []format.SlabID{id(3)}) {
		t.Errorf("listed by no table: %v", got)
	}
}

func TestRedundant(t *testing.T) {
	old := time.Unix(0, 0)
	young := time.Unix(1000, 0)
	tests := []struct {
		name   string
		tables []ListedTable
		want   []string
	}{
		{"none", nil, nil},
		{"each its own", []ListedTable{tableWith("a", old, 1), tableWith("b", old, 2)}, nil},
		{"merged", []ListedTable{tableWith("a", old, 1), tableWith("b", old, 2), tableWith("c", old, 1, 2)}, []string{"a", "b"}},
		{"merged just now", []ListedTable{tableWith("a", old, 1), tableWith("b", old, 2), tableWith("c", young, 1, 2)}, nil},
		{"only in part", []ListedTable{tableWith("a", old, 1, 3), tableWith("b", old, 1, 2, 4)}, nil},
		{"in several", []ListedTable{tableWith("a", old, 1, 2), tableWith("b", old, 1, 3, 4), tableWith("c", old, 2, 5, 6)}, []string{"a"}},
		{"twice the same", []ListedTable{tableWith("b", old, 1), tableWith("a", old, 1)}, []string{"a"}},
		{"an empty one", []ListedTable{tableWith("a", old)}, nil},
	}
	for _, test := range tests {
		var got []string
		for _, r := range redundant(test.tables, time.Unix(500, 0)) {
			got = append(got, r.info.Name)
		}
		if fmt.Sprint(got) != fmt.Sprint(test.want) {
			t.Errorf("%s: got %v, want %v", test.name, got, test.want)
		}
	}
}

// Any number of machines, each of which acts on what it listed a while ago, never
// remove the last table that has a record.
func TestRedundantNeverLosesARecord(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		now := time.Unix(0, 0)
		tables := map[string]ListedTable{}
		records := map[int]bool{}
		views := make([][]ListedTable, 3)
		for i := range rapid.IntRange(1, 80).Draw(t, "steps") {
			now = now.Add(time.Duration(rapid.IntRange(0, 200).Draw(t, "seconds")) * time.Second)
			m := rapid.IntRange(0, len(views)-1).Draw(t, "machine")
			name := fmt.Sprintf("t%03d-%d", rapid.IntRange(0, 999).Draw(t, "name"), i)
			switch rapid.IntRange(0, 3).Draw(t, "what") {
			case 0: // a capture
				tables[name] = tableWith(name, now, i)
				records[i] = true
			case 1: // looks
				views[m] = nil
				for _, x := range tables {
					views[m] = append(views[m], x)
				}
			case 2: // merges
				if x := mergedTable(name, now, toJoin(views[m], rapid.IntRange(0, 5).Draw(t, "since"))); len(x.slabs) > 0 {
					tables[name] = x
				}
			case 3: // removes
				for _, x := range some(redundant(views[m], now.Add(-lease.SettleTime)), rapid.IntRange(0, 5).Draw(t, "at once")) {
					delete(tables, x.info.Name)
				}
			}
			checkListed(t, tables, records)
		}
	})
}

func mergedTable(name string, now time.Time, from []ListedTable) ListedTable {
	seen := map[int]bool{}
	var slabs []int
	for _, x := range from {
		for _, s := range x.slabs {
			if !seen[s] {
				seen[s] = true
				slabs = append(slabs, s)
			}
		}
	}
	return tableWith(name, now, slabs...)
}

func checkListed(t *rapid.T, tables map[string]ListedTable, records map[int]bool) {
	listed := map[int]bool{}
	for _, x := range tables {
		for _, s := range x.slabs {
			listed[s] = true
		}
	}
	for n := range records {
		if !listed[n] {
			t.Fatalf("no table lists slab %d any more", n)
		}
	}
}

// However many captures there were, few tables are left, and no record is written
// often: an hour apart by one machine, and a hundred at the same moment each day.
func TestTablesStayFew(t *testing.T) {
	for _, test := range []struct {
		name     string
		together int // captures that begin at the same moment
		rounds   int
		since    int // of so many captures of a machine the last one merges
		tables   int // at most
	}{
		{"one machine", 1, 1500, 1, 30},
		{"a hundred machines", 100, 60, 1, 1000},
		{"one machine, now and then", 1, 3000, 9, 60},
		{"a hundred machines, now and then", 100, 90, 9, 2500},
	} {
		t.Run(test.name, func(t *testing.T) {
			now, captures, written, most := time.Unix(0, 0), 0, 0, 0
			tables := map[string]ListedTable{}
			for round := range test.rounds {
				now = now.Add(time.Hour)
				view := make([]ListedTable, 0, len(tables))
				for _, x := range tables {
					view = append(view, x)
				}
				most = max(most, len(view))
				gone := redundant(view, now.Add(-lease.SettleTime))
				for range test.together {
					captures++
					name := fmt.Sprintf("t%06d", captures)
					tables[name] = tableWith(name, now, captures)
					if (round+captures)%test.since != 0 {
						continue
					}
					for _, x := range some(gone, test.since) {
						delete(tables, x.info.Name)
					}
					if x := mergedTable(name+"m", now, toJoin(view, test.since)); len(x.slabs) > 0 {
						tables[x.info.Name] = x
						written += len(x.slabs)
					}
				}
			}
			again := float64(written) / float64(captures)
			t.Logf("at most %d tables in %d captures, each record written %.1f times again", most, captures, again)
			if most > test.tables {
				t.Errorf("%d tables, want at most %d", most, test.tables)
			}
			if test.together == 1 && again > smallClasses {
				t.Errorf("a record is written %.1f times again", again)
			}
		})
	}
}
