package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/internal/where"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// oldBench gives the golden repository, whose key slots are of version 1, and the
// flags that open it.
func oldBench(t *testing.T) (*bench, []string) {
	t.Helper()
	b := newBench(t)
	if err := os.CopyFS(b.path("old"), os.DirFS("../../testdata/format1/repository")); err != nil {
		t.Fatal(err)
	}
	for _, folder := range []string{"holds", "retired", "leases", "condemned"} {
		if err := os.MkdirAll(b.path("old", folder), 0o700); err != nil {
			t.Fatal(err)
		}
	}
	key, err := os.ReadFile("../../testdata/format1/key")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(b.path("old.key"), key, 0o600); err != nil {
		t.Fatal(err)
	}
	return b, []string{"--repository", b.path("old"), "--key-file", b.path("old.key")}
}

func (b *bench) slots() (found []string) {
	b.t.Helper()
	paths, err := filepath.Glob(b.path("old", "keyslots", "*.json"))
	if err != nil {
		b.t.Fatal(err)
	}
	for _, path := range paths {
		found = append(found, filepath.Base(path))
	}
	return found
}

// Commands that read leave a key slot of version 1; a capture makes it anew, once.
func TestCaptureRenewsTheSlot(t *testing.T) {
	b, open := oldBench(t)
	before := b.slots()
	for _, command := range []string{"list", "verify", "usage"} {
		b.must(append(slices.Clone(open), command)...)
		if !slices.Equal(b.slots(), before) {
			t.Fatalf("kist %s changed the key slots", command)
		}
	}
	b.must(append(slices.Clone(open), "passphrase", "list")...)
	if out := b.stdout.String(); strings.Count(out, " unproved ") != 1 || strings.Count(out, " proven ") != 1 {
		t.Errorf("listed as\n%s", out)
	}
	b.must(append(slices.Clone(open), "capture", "--name", "seedbank", b.path("seedbank"))...)
	after := b.slots()
	if len(after) != len(before) || slices.Equal(after, before) || !strings.Contains(b.stderr.String(), "is made anew as") {
		t.Errorf("%v became %v: %s", before, after, &b.stderr)
	}
	if id := b.stdout.String(); strings.Count(id, "\n") != 1 {
		t.Errorf("the capture's id is not alone: %q", id)
	}
	b.must(append(slices.Clone(open), "capture", "--name", "seedbank", b.path("seedbank"))...)
	if !slices.Equal(b.slots(), after) || strings.Contains(b.stderr.String(), "made anew") {
		t.Errorf("again: %v, %s", b.slots(), &b.stderr)
	}
	b.must(append(slices.Clone(open), "passphrase", "list", "--json")...)
	if out := b.stdout.String(); strings.Count(out, `"version":2,"standing":"proven"`) != 1 || strings.Count(out, `"version":1,"standing":"unproved"`) != 1 {
		t.Errorf("listed as\n%s", out)
	}
}

// A repository that can't be written to is no reason to complain, another failure is one.
func TestRenewingFails(t *testing.T) {
	for name, c := range map[string]struct {
		err    error
		warned bool
	}{
		"read-only":      {syscall.EROFS, false},
		"not permitted":  {fs.ErrPermission, false},
		"a broken share": {syscall.EIO, true},
	} {
		b, _ := oldBench(t)
		folder, err := storage.OpenFolder(b.path("old"))
		if err != nil {
			t.Fatal(err)
		}
		defer folder.Close()
		a := newApp(nil, &b.stdout, &b.stderr, func(string) string { return "" })
		key, err := a.secrets().ReadKeyFile(b.path("old.key"))
		if err != nil {
			t.Fatal(err)
		}
		faulty := storagetest.NewFaulty(folder)
		r, err := store.Open(t.Context(), faulty, key, store.OpenOptions{})
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		faulty.Inject(storagetest.Fault{Method: storagetest.Put, Err: c.err})
		before := b.slots()
		b.stderr.Reset()
		a.renewSlot(t.Context(), &repository{Repository: r, at: where.Place{}.OfFolder(folder), secret: key})
		if warned := strings.HasPrefix(b.stderr.String(), "Warning: "); warned != c.warned || !warned && b.stderr.Len() > 0 || !slices.Equal(b.slots(), before) {
			t.Errorf("%s: %v, %s", name, b.slots(), &b.stderr)
		}
	}
}

// Adding a key slot makes an old one anew too.
func TestAddRenewsTheSlot(t *testing.T) {
	b, open := oldBench(t)
	before := b.slots()
	b.must(append(slices.Clone(open), "passphrase", "add", "--key-file", b.path("second.key"))...)
	if after := b.slots(); len(after) != len(before)+1 || !strings.Contains(b.stderr.String(), "is made anew as") {
		t.Errorf("%v became %v: %s", before, after, &b.stderr)
	}
	b.must("--repository", b.path("old"), "--key-file", b.path("second.key"), "list")
	b.must(append(slices.Clone(open), "list")...)
}

// A forged slot shows in the list, with exit status 3, and is taken away.
func TestForgedSlotIsShown(t *testing.T) {
	b := newBench(t)
	own, err := filepath.Glob(b.path("repo", "keyslots", "*.json"))
	if err != nil || len(own) != 1 {
		t.Fatalf("%v, %v", own, err)
	}
	slot, err := os.ReadFile("testdata/forgedslot.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(b.path("repo", "keyslots", "0123456789abcdef.json"), slot, 0o600); err != nil {
		t.Fatal(err)
	}
	if status := b.run(t.Context(), "passphrase", "list"); status != statusDamage || !strings.Contains(b.stdout.String(), " FORGED ") ||
		!strings.Contains(b.stderr.String(), "kist passphrase remove 0123456789abcdef") {
		t.Errorf("status %d\n%s%s", status, &b.stdout, &b.stderr)
	}
	id := strings.TrimSuffix(filepath.Base(own[0]), ".json")
	if status := b.run(t.Context(), "passphrase", "remove", id); status != statusFailed || !strings.Contains(b.stderr.String(), "the last key slot") {
		t.Errorf("status %d: %s", status, &b.stderr)
	}
	if status := b.run(t.Context(), "verify"); status != statusDamage {
		t.Errorf("verify: status %d: %s", status, &b.stdout)
	}
	b.must("passphrase", "remove", "0123")
	b.must("passphrase", "list")
	b.must("verify")
}
