package main

import (
	"bytes"
	"context"
	"encoding/hex"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// database is the data folder of a service whose data changes. Its methods
// leave the service stopped.
type database interface {
	// change makes state n, from 1 on, out of the one before.
	change(ctx context.Context, n int) error
	// volume gives the data folder.
	volume() string
	// prove tells whether the copy of the data folder is whole, and of state n.
	// It may change the copy.
	prove(ctx context.Context, copy string, n int) error
}

// embedded is a catalogue of seeds in an embedded database.
type embedded struct {
	dir  string
	rows int // accessions so far, those taken away included
	rand *rand.Rand
}

// Bytes of the database for each accession, about.
const accessionBytes = 650

func newEmbedded(dir string, size int64) (*embedded, error) {
	rows := int(max(100, size/accessionBytes))
	return &embedded{dir, rows, newRand("embedded database")}, os.Mkdir(dir, 0o755)
}

// newRand gives the same numbers for the same seed, of at most 32 bytes.
func newRand(seed string) *rand.Rand {
	var s [32]byte
	copy(s[:], seed)
	return rand.New(rand.NewChaCha8(s))
}

const databaseName = "catalogue.db"

func (e *embedded) volume() string { return e.dir }

// change runs the program once for each state, and leaves a write-ahead log
// behind every second time, as a service that is killed does.
func (e *embedded) change(ctx context.Context, n int) error {
	var sql bytes.Buffer
	sql.WriteString(".bail on\nPRAGMA journal_mode=wal;\n")
	if n%2 == 0 {
		sql.WriteString(".dbconfig no_ckpt_on_close on\n")
	}
	if n == 1 {
		sql.WriteString(schema)
	}
	sql.WriteString("BEGIN;\n")
	e.writeChanges(&sql, n)
	fmt.Fprintf(&sql, "INSERT INTO states VALUES(%d);\nCOMMIT;\n", n)
	_, err := e.ask(ctx, e.dir, &sql)
	return err
}

const schema = `
CREATE TABLE states(number INTEGER PRIMARY KEY);
CREATE TABLE accessions(id INTEGER PRIMARY KEY, species TEXT, origin TEXT, notes TEXT, stored INTEGER, picture BLOB);
CREATE INDEX by_species ON accessions(species, origin);
`

// writeChanges adds all accessions in the first state. Later it adds one in
// fifty, changes one in a hundred, half of them among the newest tenth, and takes
// one in four hundred away.
func (e *embedded) writeChanges(w io.Writer, n int) {
	if n == 1 {
		e.addAccessions(w, e.rows)
		return
	}
	e.addAccessions(w, e.rows/50)
	e.rows += e.rows / 50
	for i := range e.rows / 100 {
		id := 1 + e.rand.IntN(e.rows)
		if i%2 == 0 {
			id = e.rows - e.rand.IntN(e.rows/10)
		}
		fmt.Fprintf(w, "UPDATE accessions SET stored=%d, notes='%s' WHERE id=%d;\n", e.rand.IntN(5000), sentence(e.rand, 40), id)
	}
	for range e.rows / 400 {
		fmt.Fprintf(w, "DELETE FROM accessions WHERE id=%d;\n", 1+e.rand.IntN(e.rows))
	}
}

func (e *embedded) addAccessions(w io.Writer, n int) {
	picture := make([]byte, 200)
	for range n {
		fill(e.rand, picture)
		fmt.Fprintf(w, "INSERT INTO accessions(species,origin,notes,stored,picture) VALUES('%s','%s','%s',%d,x'%s');\n",
			sentence(e.rand, 2), sentence(e.rand, 1), sentence(e.rand, 40), e.rand.IntN(5000), hex.EncodeToString(picture))
	}
}

func (e *embedded) prove(ctx context.Context, copy string, n int) error {
	b, err := e.ask(ctx, copy, strings.NewReader("PRAGMA integrity_check;\nSELECT max(number) FROM states;\n"))
	if err != nil {
		return err
	}
	if got, want := strings.Fields(string(b)), []string{"ok", strconv.Itoa(n)}; strings.Join(got, " ") != strings.Join(want, " ") {
		return fmt.Errorf("the database in the restored folder says %.200q, not %q", got, want)
	}
	return nil
}

func (e *embedded) ask(ctx context.Context, dir string, sql io.Reader) ([]byte, error) {
	args := []string{commands.embedded, "-batch", filepath.Join(dir, databaseName)}
	return output(ctx, command{args: args, in: sql})
}
