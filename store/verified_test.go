package store_test

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"io/fs"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// keep verifies and keeps what that found.
func (f *fixture) keep(o store.VerifyOptions) *store.Report {
	f.t.Helper()
	o.Keep, o.Host = true, "hazel"
	report, err := f.Verify(f.t.Context(), o)
	if err != nil {
		f.t.Fatal(err)
	}
	return report
}

func (f *fixture) kept() []store.Verification {
	f.t.Helper()
	all, err := f.Verifications(f.t.Context())
	if err != nil {
		f.t.Fatal(err)
	}
	return all
}

// extents are how deep verifications went that are kept, with "!" where damage was found.
func extents(all []store.Verification) (texts []string) {
	for _, v := range all {
		text := string(v.Extent)
		if v.Some {
			text += " of some"
		}
		if v.Damaged > 0 {
			text += "!"
		}
		texts = append(texts, text)
	}
	return texts
}

func TestKeepVerifications(t *testing.T) {
	f := newFixture(t)
	c := f.capture([]byte("bean"))
	if _, err := f.Verify(t.Context(), store.VerifyOptions{}); err != nil || len(f.kept()) != 0 {
		t.Errorf("kept unasked: %v, %v", f.kept(), err)
	}
	for _, step := range []struct {
		o    store.VerifyOptions
		want []string
	}{
		{store.VerifyOptions{}, []string{"listed"}},
		{store.VerifyOptions{}, []string{"listed"}},
		{store.VerifyOptions{Full: true, Captures: []string{c.ID}}, []string{"listed", "full of some"}},
		{store.VerifyOptions{Sample: 0.05}, []string{"full of some", "sample"}},
		{store.VerifyOptions{Full: true}, []string{"full"}},
		{store.VerifyOptions{}, []string{"full", "listed"}},
	} {
		f.keep(step.o)
		got := extents(f.kept())
		slices.Sort(got) // several end within one millisecond
		if slices.Sort(step.want); !slices.Equal(got, step.want) {
			t.Errorf("after %+v: %q, want %q", step.o, got, step.want)
		}
	}
	i := slices.IndexFunc(f.kept(), func(v store.Verification) bool { return v.Extent == store.VerifiedFull })
	if i < 0 {
		t.Fatal("no full one is kept")
	}
	full := f.kept()[i]
	if full.Host != "hazel" || full.Captures != 1 || full.Checked == 0 || time.Since(full.At) > time.Hour || full.Damaged != 0 {
		t.Errorf("%+v", full)
	}
	f.keep(store.VerifyOptions{Sample: 0.05})
	if all := f.kept(); !slices.ContainsFunc(all, func(v store.Verification) bool { return v.Sample == 0.05 }) {
		t.Errorf("%+v", all)
	}
	if b, err := json.Marshal(full); err != nil || !strings.Contains(string(b), `"extent":"full","ok":true,"damaged_objects":0,"captures":1,"checked_bytes":`) {
		t.Errorf("%s, %v", b, err)
	}
	if _, err := f.Verify(t.Context(), store.VerifyOptions{Keep: true, Host: "\xff"}); !errors.Is(err, store.ErrBadOptions) {
		t.Errorf("a host that is no text: %v", err)
	}
}

// Damage is told until a verification finds none that would have found it, whatever the clocks say.
func TestDamageStands(t *testing.T) {
	f := newFixture(t)
	f.capture([]byte("bean"))
	whole := objects(t, f.mem)
	var slab string
	for name := range whole {
		if strings.HasPrefix(name, "slabs/") {
			slab = name
		}
	}
	b := slices.Clone(whole[slab])
	b[200] ^= 1
	f.replace(slab, b)
	if f.keep(store.VerifyOptions{Full: true}).OK {
		t.Fatal("no damage was found")
	}
	damage := func() bool {
		s, err := f.Status(t.Context(), store.StatusOptions{})
		if err != nil {
			t.Fatal(err)
		}
		return s.Damage != nil && len(s.Wanted) > 0 && s.Wanted[0].Kind.Damage()
	}
	for _, o := range []store.VerifyOptions{{}, {Sample: 1e-9}} {
		if f.keep(o); !damage() {
			t.Errorf("%+v takes back what was found in full: %q", o, extents(f.kept()))
		}
	}
	f.replace(slab, whole[slab])
	if f.keep(store.VerifyOptions{}); !damage() {
		t.Error("nobody opened a frame, and it is told no more")
	}
	if f.keep(store.VerifyOptions{Full: true}); damage() {
		t.Errorf("mended, and told still: %q", extents(f.kept()))
	}
}

// Two that verify at once do not take away what the other one found.
func TestVerifiedAtOnce(t *testing.T) {
	f := newFixture(t)
	f.capture([]byte("bean"))
	s := storagetest.NewFaulty(f.mem)
	r, err := store.Open(t.Context(), s, f.key, store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	at(s, storagetest.List, "slabs", "", func() { f.keep(store.VerifyOptions{}) })
	if _, err := r.Verify(t.Context(), store.VerifyOptions{Keep: true}); err != nil {
		t.Fatal(err)
	}
	if got := f.kept(); len(got) != 2 {
		t.Errorf("%q", extents(got))
	}
	f.keep(store.VerifyOptions{})
	if got := f.kept(); len(got) != 1 {
		t.Errorf("%q", extents(got))
	}
}

// readOnly is a storage that takes nothing.
type readOnly struct{ storage.Storage }

func (readOnly) Put(context.Context, string, io.Reader) error {
	return &storage.Error{Op: "put", Name: "verified", Err: fs.ErrPermission}
}

// On what is mounted read-only verifying works, and says that it is not kept.
func TestVerifiedReadOnly(t *testing.T) {
	f := newFixture(t)
	f.capture([]byte("bean"))
	r, err := store.Open(t.Context(), readOnly{f.mem}, f.key, store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	report, err := r.Verify(t.Context(), store.VerifyOptions{Keep: true})
	if err != nil || !report.OK || !strings.Contains(strings.Join(report.Notes, "\n"), "is not kept in the repository") {
		t.Errorf("%+v, %v", report, err)
	}
}

// A mark that can't be read harms nothing: it is as good as absent, verifying names it, repairing removes it.
func TestDamagedVerification(t *testing.T) {
	for name, harm := range map[string]func(mark string, b []byte) (string, []byte){
		"a bit":              func(mark string, b []byte) (string, []byte) { b[len(b)-3] ^= 1; return mark, b },
		"cut":                func(mark string, b []byte) (string, []byte) { return mark, b[:40] },
		"empty":              func(mark string, _ []byte) (string, []byte) { return mark, nil },
		"of a later release": func(mark string, b []byte) (string, []byte) { b[6]++; return mark, b },
		"moved":              func(_ string, b []byte) (string, []byte) { return "verified/20260314t0203z-k7f3", b },
	} {
		t.Run(name, func(t *testing.T) {
			f := newFixture(t)
			f.capture([]byte("bean"))
			f.keep(store.VerifyOptions{Full: true})
			for mark, b := range under(t, f.mem, "verified") {
				if err := f.mem.Remove(t.Context(), mark); err != nil {
					t.Fatal(err)
				}
				bad, content := harm(mark, slices.Clone(b))
				put(t, f.mem, bad, content)
				if got := f.kept(); len(got) != 0 {
					t.Errorf("%+v", got)
				}
				if s, err := f.Status(t.Context(), store.StatusOptions{}); err != nil || s.Verified != nil || len(s.Wanted) != 0 {
					t.Errorf("%+v, %v", s, err)
				}
				report, err := f.Verify(t.Context(), store.VerifyOptions{Full: true})
				if err != nil || len(report.Damage) != 1 || report.Damage[0].Object != bad || len(report.Damage[0].Captures) != 0 {
					t.Fatalf("%+v, %v", report, err)
				}
			}
			repaired, err := f.Repair(t.Context(), store.RepairOptions{})
			if err != nil || len(repaired.Marks) != 1 {
				t.Errorf("%+v, %v", repaired, err)
			}
		})
	}
}

// What is no such mark in their folder is noted and disturbs nothing; and reclaiming leaves the newest of far too many.
func TestManyVerifications(t *testing.T) {
	f := newFixture(t)
	f.capture([]byte("bean"))
	put(t, f.mem, "verified/bean", []byte("bean"))
	report := f.keep(store.VerifyOptions{})
	if !report.OK || !strings.Contains(strings.Join(report.Notes, "\n"), "verified/bean is no object of kist") {
		t.Errorf("%+v", report)
	}
	var mark []byte
	for name, b := range under(t, f.mem, "verified") {
		if name != "verified/bean" {
			mark = b
		}
	}
	for i := range 100 { // copies under other names: none of them opens
		put(t, f.mem, "verified/20000101t0"+string(rune('0'+i/60))+twoDigits(i%60)+"z-aaaa", mark)
	}
	if _, err := f.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace}); err != nil {
		t.Fatal(err)
	}
	left := under(t, f.mem, "verified")
	if len(left) != 64+1 || len(f.kept()) != 1 {
		t.Errorf("%d are left, %d can be read", len(left), len(f.kept()))
	}
	if _, err := f.Repair(t.Context(), store.RepairOptions{}); err != nil {
		t.Fatal(err)
	}
}

func twoDigits(n int) string { return string([]byte{byte('0' + n/10), byte('0' + n%10)}) }

// secondVerification is the record of a verification, section 10.
type secondVerification struct {
	Ended    string `cbor:"1,keyasint"`
	Host     string `cbor:"2,keyasint,omitempty"`
	Extent   string `cbor:"3,keyasint"`
	Share    uint64 `cbor:"4,keyasint,omitempty"`
	Captures uint64 `cbor:"5,keyasint"`
	Damaged  uint64 `cbor:"6,keyasint,omitempty"`
	Took     uint64 `cbor:"7,keyasint"`
	Read     uint64 `cbor:"8,keyasint"`
	Some     bool   `cbor:"9,keyasint,omitempty"`
}

// TestSecondReaderOfVerifications reads the mark of the golden repository by the page.
func TestSecondReaderOfVerifications(t *testing.T) {
	const dir = "../testdata/format1-told"
	r, err := openSecond(os.DirFS(dir+"/repository"), "key-file", secondGoldenFile(t, dir, "key"), zstdPackage(t))
	if err != nil {
		t.Fatal(err)
	}
	marks, err := r.list("verified")
	if err != nil || len(marks) != 1 {
		t.Fatal(marks, err)
	}
	o, err := r.object("verification", marks[0])
	if err != nil {
		t.Fatal(err)
	}
	plain, err := o.open(secondRecord, 0, o.body)
	if err != nil {
		t.Fatal(err)
	}
	var got secondVerification
	if err := secondRecordInto(plain, &got); err != nil {
		t.Fatal(err)
	}
	ended, err := time.Parse(time.RFC3339, got.Ended)
	if err != nil || ended.Year() < 2026 || got.Host != "hazel" || got.Extent != "full" || got.Captures != 2 || got.Damaged != 0 || got.Share != 0 || got.Some || got.Read == 0 {
		t.Errorf("%+v, %v", got, err)
	}
}
