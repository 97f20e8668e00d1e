package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"

	"github.com/kistarchive/kist/store"
)

// killRow is a command that is killed.
type killRow struct {
	name string
	// prepare changes what the command works on and gives its arguments.
	prepare  func(*killCase) []string
	settled  func(*killCase) // looks at what there is once it came to its end; may be nil
	captures bool            // it makes a capture
	puts     []string        // the folders that it puts objects into
	removes  []string        // and those that it removes some from
}

// killRows: every command that writes to a repository.
func killRows() []killRow {
	leases := []string{"leases"}
	whileCapturing := []string{"leases", "slabs", "tables", "captures"}
	naming := []string{"leases", "tables", "condemned"}
	going := []string{"leases", "slabs", "tables", "captures", "condemned", "retired"}
	return []killRow{
		{"capture of a folder", (*killCase).growAndCaptureFolder, nil, true, whileCapturing, leases},
		{"capture of a tar stream", (*killCase).growAndCaptureTar, nil, true, whileCapturing, leases},
		{"retire by id", (*killCase).retireID, (*killCase).areRetired, false, []string{"retired"}, nil},
		{"retire by rules", (*killCase).retireByRules, (*killCase).areRetired, false, []string{"retired"}, nil},
		{"retire --undo", (*killCase).undo, (*killCase).isTakenBack, false, leases, []string{"leases", "retired"}},
		{"hold", (*killCase).hold, (*killCase).isHeld, false, []string{"leases", "holds"}, leases},
		{"release", (*killCase).release, (*killCase).isReleased, false, nil, []string{"holds"}},
		{"reclaim that moves rests", (*killCase).reclaimRests, (*killCase).isTidy, false, append(whileCapturing, "condemned"), going},
		{"reclaim of slabs and tables", (*killCase).reclaimSlabs, (*killCase).isTidy, false, naming, going},
		{"repair of tables", (*killCase).repairTables, (*killCase).hasTables, false, []string{"leases", "tables"}, leases},
		{"repair that heals", (*killCase).repairSlab, (*killCase).isHealed, false, whileCapturing, leases},
		{"repair by parity", (*killCase).repairByParity, (*killCase).isMended, false, []string{"leases", "spare", "slabs"}, []string{"leases", "spare", "slabs"}},
		{"repair from a second place", (*killCase).repairFrom, (*killCase).isFetched, false, whileCapturing, leases},
	}
}

// grow adds a file of fresh data to the service's folder, and drops old ones.
func (k *killCase) grow() {
	k.t.Helper()
	size := 1<<19 + k.random.IntN(1<<20)
	if k.isLarge() {
		size = 36 << 20 // more than one slab
	}
	old, err := filepath.Glob(k.path("seedbank", "lot*"))
	if err != nil {
		k.t.Fatal(err)
	}
	for _, name := range old {
		if err := os.Remove(name); err != nil {
			k.t.Fatal(err)
		}
	}
	b := make([]byte, size)
	rand.NewChaCha8([32]byte{byte(k.number), byte(k.random.Uint32()), byte(k.random.Uint32())}).Read(b)
	for i := range 4 { // files large and small
		n := len(b) >> (2 * (3 - i))
		if err := os.WriteFile(k.path("seedbank", fmt.Sprintf("lot%d-%d", k.number, i)), b[:n], 0o600); err != nil {
			k.t.Fatal(err)
		}
	}
}

func (k *killCase) captureFolder() []string {
	return []string{"capture", "--quiet", "--note", "folder", "--version", fmt.Sprint(k.number), k.path("seedbank")}
}

func (k *killCase) captureTar() []string {
	k.t.Helper()
	out, err := exec.Command("tar", "-C", k.dir, "-cf", k.path("seedbank.tar"), "seedbank").CombinedOutput()
	if errors.Is(err, exec.ErrNotFound) {
		require(k.t, err)
	}
	if err != nil {
		k.t.Fatalf("%v: %s", err, out)
	}
	return []string{"capture", "--quiet", "--note", "tar", "--version", fmt.Sprint(k.number), "--name", "seedbank", k.path("seedbank.tar")}
}

func (k *killCase) growAndCaptureFolder() []string {
	k.grow()
	return k.captureFolder()
}

func (k *killCase) growAndCaptureTar() []string {
	k.grow()
	return k.captureTar()
}

// capture captures what lies there, and gives the id.
func (k *killCase) capture() string {
	k.t.Helper()
	before := len(k.known)
	k.must(k.captureFolder()...)
	id := strings.TrimSpace(k.stdout.String())
	k.learn()
	if _, ok := k.known[id]; !ok || len(k.known) != before+1 {
		k.t.Fatalf("capture %q did not appear", id)
	}
	return id
}

// stock sees that at least n captures are listed.
func (k *killCase) stock(n int) {
	k.t.Helper()
	for len(k.listed) < n {
		k.grow()
		k.capture()
	}
}

func (k *killCase) retireID() []string {
	k.stock(3)
	id := k.listed[k.random.IntN(len(k.listed))]
	k.fates[id] = retires
	return []string{"retire", "--quiet", id}
}

func (k *killCase) retireByRules() []string {
	k.stock(5)
	for _, id := range k.listed[:len(k.listed)-2] {
		k.fates[id] = retires
	}
	return []string{"retire", "--quiet", "--last", "2", "--versions", "1", "--name", "seedbank"}
}

// areRetired: all captures that may be retired are, and no other.
func (k *killCase) areRetired() {
	k.t.Helper()
	var retired []string
	for _, c := range k.list("--retired") {
		retired = append(retired, c.ID)
	}
	var want []string
	for id := range k.fates {
		want = append(want, id)
	}
	slices.Sort(retired)
	slices.Sort(want)
	if !slices.Equal(retired, want) {
		k.t.Fatalf("%q are retired, not %q", retired, want)
	}
}

func (k *killCase) undo() []string {
	args := k.retireID()
	k.must(args...)
	k.learn()
	return []string{"retire", "--quiet", "--undo", args[len(args)-1]}
}

func (k *killCase) isTakenBack() {
	k.t.Helper()
	clear(k.fates)
	k.learn()
}

// held gives the ids of captures that are held.
func (k *killCase) held() (ids []string) {
	k.t.Helper()
	for _, c := range k.list() {
		if c.Held {
			ids = append(ids, c.ID)
		}
	}
	return ids
}

func (k *killCase) hold() []string {
	k.stock(3)
	return []string{"hold", "--quiet", k.listed[0]}
}

// isHeld: the oldest capture is held, and so is not retired.
func (k *killCase) isHeld() {
	k.t.Helper()
	id := k.listed[0]
	if got := k.held(); !slices.Equal(got, []string{id}) {
		k.t.Fatalf("%q are held, not %s", got, id)
	}
	if status := k.run(k.t.Context(), "retire", id); status != statusFailed {
		k.t.Fatalf("retiring what is held: status %d: %s", status, &k.stderr)
	}
	k.must("release", "--quiet", id)
	k.isReleased()
}

func (k *killCase) release() []string {
	args := k.hold()
	k.must(args...)
	return []string{"release", "--quiet", k.listed[0]}
}

func (k *killCase) isReleased() {
	k.t.Helper()
	if got := k.held(); len(got) > 0 {
		k.t.Fatalf("%q are still held", got)
	}
}

// retireNow retires captures that the next reclaim may remove.
func (k *killCase) retireNow(ids ...string) {
	k.t.Helper()
	for _, id := range ids {
		k.fates[id] = goes
	}
	k.must(append([]string{"retire", "--quiet"}, ids...)...)
	k.learn()
}

var reclaimNow = []string{"reclaim", "--quiet", "--grace", "0"}

// reclaimRests has captures to remove, and slabs of which others need a part.
func (k *killCase) reclaimRests() []string {
	k.grow()
	id := k.capture()
	lots, err := filepath.Glob(k.path("seedbank", "lot*-[0-3]"))
	if err != nil || len(lots) != 4 {
		k.t.Fatalf("%q, %v", lots, err)
	}
	if err := os.Remove(lots[3]); err != nil { // the largest
		k.t.Fatal(err)
	}
	k.capture()
	k.retireNow(id)
	return reclaimNow
}

// reclaimSlabs has several captures to remove, slabs that only they need, and a
// table that lists those and others.
func (k *killCase) reclaimSlabs() []string {
	k.stock(2)
	for range 2 {
		k.grow()
		k.capture()
	}
	k.must(k.repairTables()...)
	k.retireNow(k.listed[len(k.listed)-3 : len(k.listed)-1]...)
	return reclaimNow
}

// isTidy: a reclaim that came to its end leaves nothing behind, be it of one
// that was killed, but for files aside.
func (k *killCase) isTidy() {
	k.t.Helper()
	for _, pattern := range []string{"leases/[^_]*", "retired/[^_]*", "condemned/[^_]*"} {
		for _, name := range k.files(pattern) {
			if !strings.HasSuffix(name, ".gone") && !k.endsMarkOfAny(name) {
				k.t.Fatalf("%s was left behind", name)
			}
		}
	}
}

// endsMarkOfAny tells of the end of a retirement that it is of a capture that is there: it stays
// with that.
func (k *killCase) endsMarkOfAny(name string) bool {
	id, _, _ := strings.Cut(filepath.Base(name), ".")
	return strings.HasSuffix(name, ".undone") && len(k.files("captures/"+id+"*")) > 0
}

// files gives the names of the repository's files that fit.
func (k *killCase) files(pattern string) []string {
	k.t.Helper()
	names, err := filepath.Glob(k.path("repo", pattern))
	if err != nil {
		k.t.Fatal(err)
	}
	return names
}

func (k *killCase) repairTables() []string {
	k.stock(3)
	for _, name := range k.files("tables/*") {
		if err := os.Remove(name); err != nil {
			k.t.Fatal(err)
		}
	}
	return []string{"repair", "--quiet"}
}

// hasTables: a repair that came to its end has written all tables anew.
func (k *killCase) hasTables() {
	k.t.Helper()
	k.must("repair", "--json")
	if got := k.stdout.String(); !strings.Contains(got, `"slabs":0,`) {
		k.t.Fatalf("not all tables were there: %s", got)
	}
}

// repairSlab damages a slab that only one capture needs, and captures the same
// once more, so that it can be healed.
func (k *killCase) repairSlab() []string {
	k.must("settings", "--parity", "off") // which would heal it
	for _, name := range k.newSlabs() {
		flip(k, name)
	}
	k.harmed = true
	if status := k.run(k.t.Context(), "repair"); status != statusDamage {
		k.t.Fatalf("repair: status %d: %s%s", status, &k.stdout, &k.stderr)
	}
	k.must(append([]string{"capture", "--reread"}, k.captureFolder()[1:]...)...)
	k.learn()
	return []string{"repair", "--quiet"}
}

// flip changes a bit where the first contents of a slab are.
func flip(k *killCase, name string) {
	k.t.Helper()
	b, err := os.ReadFile(name)
	if err == nil {
		b[len(b)/10] ^= 1
		err = os.WriteFile(name, b, 0o600)
	}
	if err != nil {
		k.t.Fatal(err)
	}
}

// isHealed: nothing is damaged any more but what nothing needs.
func (k *killCase) isHealed() {
	k.t.Helper()
	k.harmed = false
	k.must(reclaimNow...)
	k.check("after the repair")
}

// list gives what kist list shows.
func (k *killCase) list(args ...string) (captures []store.Capture) {
	k.t.Helper()
	k.must(append([]string{"list", "--json"}, args...)...)
	if err := json.Unmarshal(k.stdout.Bytes(), &captures); err != nil {
		k.t.Fatal(err)
	}
	return captures
}
