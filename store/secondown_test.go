package store_test

import (
	"os"
	"path"
	"strconv"
	"strings"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// ownMarks gives, of the marks of a kind in place/, those of which a copy opens, in the order of their names, or of
// their numbers where they have some: by section 10 of the page.
func (r *secondReader) ownMarks(kind string) (whole []string, record map[string]any, err error) {
	all, err := r.list("place")
	if err != nil {
		return nil, nil, err
	}
	record = map[string]any{}
	numbers := map[string]int{}
	for _, name := range all {
		first := strings.TrimSuffix(name, ".again")
		text, settings := strings.CutSuffix(path.Base(first), ".settings")
		n, bad := strconv.Atoi(text)
		if settings != (kind == "settings") || settings && (bad != nil || n > 999999999) || !settings && len(text) != 16 {
			continue
		}
		into := any(&secondSite{})
		if settings {
			into = &secondSettings{}
		}
		if r.mark(kind, name, into) != nil || record[first] != nil {
			continue
		}
		record[first], numbers[first] = into, n
		at := len(whole)
		for at > 0 && settings && numbers[whole[at-1]] > n {
			at--
		}
		whole = append(whole[:at], append([]string{first}, whole[at:]...)...)
	}
	return whole, record, nil
}

// TestSecondOwn: which place it is and its settings, as the page has it and as the store reads them, whatever of the two copies
// is damaged or gone, and whatever else lies there.
func TestSecondOwn(t *testing.T) {
	dir, key := t.TempDir(), crypt.NewKeyFile()
	ctx := t.Context()
	first, err := store.Create(ctx, storage.NewMemory(), key, store.CreateOptions{ChunkAverage: 8 << 10})
	if err != nil {
		t.Fatal(err)
	}
	defer first.Close()
	at := path.Join(dir, "there")
	folder, err := storage.CreateFolder(at, store.Folders()...)
	if err != nil {
		t.Fatal(err)
	}
	defer folder.Close()
	made, err := store.CreateReplica(ctx, folder, first, key, store.ReplicaOptions{Parity: 3})
	if err != nil {
		t.Fatal(err)
	}
	place := made.Place()
	made.Close()
	mark, settings := at+"/place/"+place, at+"/place/0.settings"
	spoil := func(name string) {
		if err := os.WriteFile(name, []byte(strings.Repeat("no mark ", 20)), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	keep := func(name string) []byte {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	both := [2][]byte{keep(mark), keep(settings)}
	tests := map[string]struct {
		harm    func()
		place   string
		percent int
	}{
		"as made":             {func() {}, place, 3},
		"the first damaged":   {func() { spoil(mark); spoil(settings) }, place, 3},
		"the first gone":      {func() { os.Remove(mark); os.Remove(settings) }, place, 3},
		"the second damaged":  {func() { spoil(mark + ".again"); spoil(settings + ".again") }, place, 3},
		"others that are bad": {func() { spoil(at + "/place/0000000000000000"); spoil(at + "/place/12.settings") }, place, 3},
		"numbers too high":    {func() { spoil(at + "/place/9999999999.settings"); spoil(at + "/place/9223372036854775807.settings") }, place, 3},
		"forty that are bad": {func() {
			for n := range 40 {
				spoil(at + "/place/" + strconv.Itoa(n+1) + ".settings")
				spoil(at + "/place/00000000000000" + strconv.Itoa(n+10))
			}
		}, place, 3},
		"both damaged": {func() { spoil(mark); spoil(mark + ".again"); spoil(settings); spoil(settings + ".again") }, "", 0},
		"both gone":    {func() { os.RemoveAll(at + "/place"); os.Mkdir(at+"/place", 0o700) }, "", 0},
	}
	for what, test := range tests {
		t.Run(what, func(t *testing.T) {
			os.RemoveAll(at + "/place")
			os.Mkdir(at+"/place", 0o700)
			for i, name := range []string{mark, settings} {
				for _, name := range []string{name, name + ".again"} {
					if err := os.WriteFile(name, both[i], 0o600); err != nil {
						t.Fatal(err)
					}
				}
			}
			test.harm()
			folder, err := storage.OpenFolder(at)
			if err != nil {
				t.Fatal(err)
			}
			defer folder.Close()
			r, err := store.Open(ctx, folder, key, store.OpenOptions{})
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			percent, err := r.Parity(ctx)
			if err != nil || r.Place() != test.place || percent != test.percent {
				t.Errorf("place %q, parity %d, %v: not %q and %d", r.Place(), percent, err, test.place, test.percent)
			}
			second, err := openSecond(os.DirFS(at), "key-file", keyBytes(t, key), nil)
			if err != nil {
				t.Fatal(err)
			}
			if got := secondOwnPlace(t, second); got != test.place {
				t.Errorf("the second reader: place %q", got)
			}
			if got := secondPercent(t, second); got != test.percent {
				t.Errorf("the second reader: parity %d", got)
			}
		})
	}
}

func secondOwnPlace(t *testing.T, r *secondReader) string {
	t.Helper()
	whole, _, err := r.ownMarks("place")
	if err != nil || len(whole) == 0 {
		return ""
	}
	return path.Base(whole[0])
}

func secondPercent(t *testing.T, r *secondReader) int {
	t.Helper()
	whole, records, err := r.ownMarks("settings")
	if err != nil || len(whole) == 0 {
		return 0
	}
	return int(records[whole[len(whole)-1]].(*secondSettings).Parity)
}
