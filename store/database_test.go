package store_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/volume"
)

// TestDatabase captures the folder of a live database, changed between five
// captures, and restores each. The outside references are the database's own
// integrity check (Debian's sqlite3: PRAGMA integrity_check) and GNU tar's
// comparison of the restored stream with the folder.
func TestDatabase(t *testing.T) {
	for _, program := range []string{"sqlite3", "tar"} {
		needProgram(t, program)
	}
	f := newFixture(t)
	dir := t.TempDir()
	db := filepath.Join(dir, "catalogue.db")
	sqlite(t, db, "PRAGMA journal_mode=WAL; CREATE TABLE lots(id INTEGER PRIMARY KEY, name TEXT, note TEXT);")
	var captures []*store.Capture
	var sums []string
	for round := range 5 {
		// A connection that stays open leaves its write-ahead log behind, as a service does.
		hold := openSQLite(t, db)
		fmt.Fprintf(hold, `WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i+1 FROM n WHERE i < 3000)
			INSERT INTO lots(name, note) SELECT 'lot ' || i || '-%d', hex(randomblob(60)) FROM n;
			UPDATE lots SET note = 'sown' WHERE id %% 97 = %d; DELETE FROM lots WHERE id %% 101 = %d;
			SELECT 'done';`+"\n", round, round, round)
		hold.await("done")
		sums = append(sums, sqlite(t, db, "SELECT count(*), sum(length(note)) FROM lots;"))
		c, err := f.Capture(t.Context(), store.CaptureOptions{Name: "seedbank", Volumes: []store.VolumeInput{folder(dir)}})
		if err != nil {
			t.Fatal(err)
		}
		captures = append(captures, c)
		f.compareWithTar(c, dir)
		hold.Close()
	}
	for i, c := range captures {
		restored := filepath.Join(t.TempDir(), "restored")
		f.restoreInto(c, restored)
		copied := filepath.Join(restored, "catalogue.db")
		if got := sqlite(t, copied, "PRAGMA integrity_check;"); got != "ok\n" {
			t.Errorf("capture %d: integrity check: %s", i, got)
		}
		if got := sqlite(t, copied, "SELECT count(*), sum(length(note)) FROM lots;"); got != sums[i] {
			t.Errorf("capture %d: rows %s, want %s", i, got, sums[i])
		}
	}
}

func needProgram(t *testing.T, name string) {
	t.Helper()
	if _, err := exec.LookPath(name); err == nil {
		return
	}
	if os.Getenv("KIST_TEST_REQUIRE") == "all" {
		t.Fatalf("%s is needed", name)
	}
	t.Skipf("%s is not installed", name)
}

// folder is a volume read from a folder.
func folder(dir string) store.VolumeInput {
	return store.VolumeInput{Name: "data", Open: func(ctx context.Context) (io.ReadCloser, error) {
		r, w := io.Pipe()
		go func() {
			_, err := volume.WriteTar(ctx, w, dir, volume.ReadOptions{})
			w.CloseWithError(err)
		}()
		return r, nil
	}}
}

// compareWithTar has GNU tar compare a capture with a folder.
func (f *fixture) compareWithTar(c *store.Capture, dir string) {
	f.t.Helper()
	cmd := exec.CommandContext(f.t.Context(), "tar", "--compare", "--file", "-", "--directory", dir)
	in, err := cmd.StdinPipe()
	if err != nil {
		f.t.Fatal(err)
	}
	go func() {
		defer in.Close()
		if err := f.Restore(f.t.Context(), &c.Volumes[0], in, store.RestoreOptions{}); err != nil {
			f.t.Error(err)
		}
	}()
	if out, err := cmd.CombinedOutput(); err != nil || len(out) > 0 {
		f.t.Errorf("tar --compare: %v\n%s", err, out)
	}
}

func (f *fixture) restoreInto(c *store.Capture, dir string) {
	f.t.Helper()
	r, w := io.Pipe()
	go func() { w.CloseWithError(f.Restore(f.t.Context(), &c.Volumes[0], w, store.RestoreOptions{})) }()
	if _, err := volume.Extract(f.t.Context(), r, dir, volume.ExtractOptions{}); err != nil {
		f.t.Fatal(err)
	}
	r.Close()
}

func sqlite(t *testing.T, db, statements string) string {
	t.Helper()
	out, err := exec.CommandContext(t.Context(), "sqlite3", db, statements).CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return string(out)
}

// session of the database's program that stays open.
type sqliteSession struct {
	t   *testing.T
	cmd *exec.Cmd
	io.WriteCloser
	out io.Reader
}

func openSQLite(t *testing.T, db string) *sqliteSession {
	t.Helper()
	s := &sqliteSession{t: t, cmd: exec.CommandContext(t.Context(), "sqlite3", db)}
	var err error
	if s.WriteCloser, err = s.cmd.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	if s.out, err = s.cmd.StdoutPipe(); err != nil {
		t.Fatal(err)
	}
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	return s
}

// await reads until the session prints a line with the word.
func (s *sqliteSession) await(word string) {
	s.t.Helper()
	for line := bufio.NewScanner(s.out); line.Scan(); {
		if line.Text() == word {
			return
		}
	}
	s.t.Fatal("the database's program ended")
}

func (s *sqliteSession) Close() {
	s.t.Helper()
	s.WriteCloser.Close()
	if err := s.cmd.Wait(); err != nil {
		s.t.Error(err)
	}
}
