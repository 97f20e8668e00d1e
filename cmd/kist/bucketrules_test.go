package main

import (
	"bytes"
	"fmt"
	"io/fs"
	"maps"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/storage/objects/objectstest"
)

// TestRulesChange: the rules of a bucket change under a command, so that from one request on its key may not put, read, list or remove, or
// nothing at all, for once or from then on. When it may again, nothing of what was reported is lost, and the command does what it did not
// do. With KIST_TEST_ROUNDS each request of each command is the first that is denied, else some are, drawn by lot.
func TestRulesChange(t *testing.T) {
	r := newRuled(t)
	ids := r.fill()
	for _, test := range []struct {
		name string
		args []string
	}{
		{"capture", []string{"capture", "--name", "seedbank", "NOW/data"}},
		{"capture by the spool", []string{"capture", "--spool", "--name", "seedbank", "NOW/data"}},
		{"capture a stream", []string{"capture", "--name", "journal", "-"}},
		{"restore", []string{"restore", ids[3], "--into", "NOW/back"}},
		{"verify", []string{"verify", "--full"}},
		{"reclaim", []string{"reclaim", "--grace", "0"}},
		{"retire", []string{"retire", ids[2]}},
		{"undo", []string{"retire", "--undo", ids[1]}},
		{"hold", []string{"hold", ids[2]}},
		{"release", []string{"release", ids[0]}},
		{"amend", []string{"amend", ids[3], "--note", "by hand"}},
		{"replicate", []string{"replicate", "--to", "NOW/copy"}},
		{"replicate back", []string{"replicate", "--from", "NOW/copy"}},
		{"repair", []string{"repair"}},
		{"settings", []string{"settings", "--deltas", "own"}},
		{"status", []string{"status"}},
		{"usage", []string{"usage"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			r.t = t
			r.putBack()
			count := r.deny("nothing", 1, 0)
			r.must(test.args...)
			requests, _ := count()
			for _, d := range denials(requests) {
				r.putBack()
				count := r.deny(d.kind, d.from, d.most)
				status, out, said := r.run(test.args...)
				if _, denied := count(); denied > 0 {
					r.check(d, test.args, ids, status, out, said)
				}
			}
		})
	}
}

// denial is what is denied: requests of a kind, from one on, and so many at most.
type denial struct {
	kind       string
	from, most int
}

var denied = []string{"put", "get", "list", "delete", "all"}

// denials gives all, or some by lot, for a command that makes so many requests.
func denials(requests int) (some []denial) {
	const always = 1 << 30
	if os.Getenv("KIST_TEST_ROUNDS") == "" {
		for i := range 2 {
			some = append(some, denial{denied[rand.IntN(len(denied))], 1 + rand.IntN(requests), []int{1, always}[i]})
		}
		return some
	}
	for _, kind := range denied {
		for from := range requests {
			some = append(some, denial{kind, 1 + from, 1}, denial{kind, 1 + from, always})
		}
	}
	return some
}

// ruled is a repository in a bucket, with what this machine keeps about it, that can be put back as it was.
type ruled struct {
	t       *testing.T
	f       *objectstest.Fake
	home    string
	env     map[string]string
	objects map[string]objectstest.Stored // as they are put back
}

func newRuled(t *testing.T) *ruled {
	r := &ruled{t: t, f: objectstest.NewFake(t), home: t.TempDir(), objects: map[string]objectstest.Stored{}}
	r.env = map[string]string{
		"AWS_ACCESS_KEY_ID": "hazel", "AWS_SECRET_ACCESS_KEY": "hunter2", "KIST_REPOSITORY": "s3://seeds/hazel", "AWS_ENDPOINT_URL": r.f.Server.URL,
		"KIST_KEY_FILE": r.now("key"), "XDG_STATE_HOME": r.now("home"), "KIST_STATE": r.now("state"), "KIST_CACHE": r.now("cache"),
	}
	for _, dir := range []string{"home", "state", "cache", "data", "copy"} {
		if err := os.MkdirAll(r.now(dir), 0o700); err != nil {
			t.Fatal(err)
		}
	}
	return r
}

func (r *ruled) now(name string) string { return filepath.Join(r.home, "now", name) }

// fill makes captures that stand on each other, of which the first is held and copied, and the second retired.
func (r *ruled) fill() (ids []string) {
	r.must("setup")
	change := func(version int) {
		for name, content := range map[string][]byte{"seeds.csv": slices.Concat(noise(100_000, byte(version)), noise(200_000, 99)), fmt.Sprint("lot-", version): noise(5000, byte(version+10))} {
			if err := os.WriteFile(r.now("data/"+name), content, 0o600); err != nil {
				r.t.Fatal(err)
			}
		}
	}
	for version := range 4 {
		change(version)
		ids = append(ids, anID.FindString(r.must("capture", "--name", "seedbank", "NOW/data")))
	}
	ids = append(ids, anID.FindString(r.must("capture", "--name", "journal", "-")))
	r.must("setup", "--repository", "NOW/copy", "--replica-of", "s3://seeds/hazel")
	r.must("replicate", "--to", "NOW/copy", ids[0])
	r.must("hold", ids[0])
	r.must("retire", ids[1])
	change(5)
	r.objects = maps.Clone(r.f.Objects)
	r.copy("now", "kept")
	return ids
}

var anID = regexp.MustCompile(`\b20\d{6}t\d{4}z-[a-z0-9]{4}\b`)

// noise gives bytes that nothing shortens.
func noise(n int, seed byte) []byte {
	p := make([]byte, n)
	rand.NewChaCha8([32]byte{seed}).Read(p)
	return p
}

func (r *ruled) putBack() {
	r.t.Helper()
	r.f.Set(func() { r.f.Objects, r.f.Before = maps.Clone(r.objects), nil })
	r.copy("kept", "now")
}

// copy puts a folder of this machine in the place of another one, for its owner alone.
func (r *ruled) copy(from, to string) {
	r.t.Helper()
	to = filepath.Join(r.home, to)
	err := os.RemoveAll(to)
	if err == nil {
		err = os.CopyFS(to, os.DirFS(filepath.Join(r.home, from)))
	}
	if err == nil {
		err = filepath.WalkDir(to, func(path string, d fs.DirEntry, err error) error {
			mode := fs.FileMode(0o600)
			if err == nil && d.IsDir() {
				mode = 0o700
			}
			return os.Chmod(path, mode)
		})
	}
	if err != nil {
		r.t.Fatal(err)
	}
}

func (r *ruled) run(args ...string) (status int, out, said string) {
	var stdout, stderr bytes.Buffer
	args = slices.Clone(args)
	for i := range args {
		args[i] = strings.Replace(args[i], "NOW", r.now(""), 1)
	}
	a := newApp(strings.NewReader(strings.Repeat("millet and spelt", 3000)), &stdout, &stderr, func(name string) string { return r.env[name] })
	a.tty = noTerminal
	status = a.run(r.t.Context(), args)
	return status, stdout.String(), stderr.String()
}

func (r *ruled) must(args ...string) (out string) {
	r.t.Helper()
	status, out, said := r.run(args...)
	if status != statusDone {
		r.t.Fatalf("%v: status %d, %s%s", args, status, out, said)
	}
	return out
}

// deny has requests denied until the counts are asked for: of all, and of those that were.
func (r *ruled) deny(kind string, from, most int) (count func() (all, refused int)) {
	all, refused := 0, 0
	r.f.Set(func() {
		r.f.Before = func(w http.ResponseWriter, q *http.Request) (is bool) {
			r.f.Set(func() {
				all++
				if is = all >= from && refused < most && (kind == "all" || slices.Contains(r.kindsOf(q), kind)); is {
					refused++
				}
			})
			if is && q.Method == http.MethodHead {
				w.WriteHeader(http.StatusForbidden)
			} else if is {
				objectstest.Refuse(w, http.StatusForbidden, "AccessDenied")
			}
			return is
		}
	})
	return func() (int, int) {
		r.f.Set(func() { r.f.Before = nil })
		return all, refused
	}
}

// kindsOf gives the rights that a request takes: who may not list a bucket is not told what is absent either (Amazon S3 API reference,
// GetObject, "Permissions").
func (r *ruled) kindsOf(q *http.Request) []string {
	_, is := r.f.Objects[strings.TrimPrefix(q.URL.Path, "/seeds/")]
	switch {
	case q.Method == http.MethodPut || q.Method == http.MethodPost:
		return []string{"put"}
	case q.Method == http.MethodDelete:
		return []string{"delete"}
	case q.URL.Query().Has("list-type") || q.URL.Query().Has("uploads"):
		return []string{"list"}
	case !is:
		return []string{"get", "list"}
	}
	return []string{"get"}
}

// check sees that a command that met denials did what it says, said what is to be done, and harmed nothing.
func (r *ruled) check(d denial, args, ids []string, status int, out, said string) {
	r.t.Helper()
	failed := func(format string, more ...any) {
		r.t.Helper()
		r.t.Errorf("%+v: status %d, %s%s\n%s", d, status, out, said, fmt.Sprintf(format, more...))
	}
	if status != statusDone && (status != statusFailed || !strings.Contains(said, "denies this") && !strings.Contains(said, "refuses")) {
		failed("want it done, or failed with the cause")
	}
	if got, err := os.ReadFile(r.now("back/seeds.csv")); args[0] == "restore" && (status == statusDone) != (err == nil && bytes.HasPrefix(got, noise(100_000, 3))) {
		failed("restored: %v", err)
	}
	want := slices.Clone(ids)
	if args[0] == "reclaim" {
		want = slices.Delete(want, 1, 2)
	}
	if args[0] == "capture" && status == statusDone {
		want = append(want, anID.FindString(out))
	}
	r.checkThere(want, failed)
	if status == statusDone {
		return
	}
	// Leases that could not be removed are of a process that lives, as long as the test does.
	left := d.most > 1 && (d.kind == "delete" || d.kind == "all")
	if status, out, said := r.run(args...); status != statusDone && !(left && strings.Contains(said, "somebody else is at it")) {
		failed("again: status %d, %s%s", status, out, said)
	}
	r.checkThere(want, failed)
}

// checkThere sees that all is whole, and that captures are there.
func (r *ruled) checkThere(ids []string, failed func(string, ...any)) {
	r.t.Helper()
	if status, out, said := r.run("verify", "--full"); status != statusDone {
		failed("then verify: status %d, %s%s", status, out, said)
	}
	listed := r.must("list") + r.must("list", "--retired")
	for _, id := range ids {
		if !strings.Contains(listed, id) {
			failed("%s is lost: %s", id, listed)
		}
	}
}

// TestRulesChangeUnderSetup: what a setup that failed could not take back it names, and no more than that; and where that is a repository,
// it opens by the key file, which stays.
func TestRulesChangeUnderSetup(t *testing.T) {
	r := newRuled(t)
	r.copy("now", "kept")
	count := r.deny("nothing", 1, 0)
	r.must("setup")
	requests, _ := count()
	for _, kind := range denied {
		for from := range requests {
			if os.Getenv("KIST_TEST_ROUNDS") == "" && rand.IntN(8) > 0 {
				continue
			}
			r.putBack()
			r.env["KIST_KEY_FILE"] = r.now(fmt.Sprint("key-", time.Now().UnixNano()))
			count := r.deny(kind, 1+from, 1<<30)
			status, out, said := r.run("setup")
			count()
			_, made := r.f.Objects["hazel/kist.json"]
			if status == statusDone != made && !(made && strings.Contains(said, "kist list tells")) {
				t.Errorf("%s from %d on: made: %v, status %d, %s%s", kind, 1+from, made, status, out, said)
			}
			for key := range r.f.Objects {
				if status != statusDone && !strings.Contains(key, "_aside") && !strings.Contains(said, strings.TrimPrefix(key, "hazel/")) {
					t.Errorf("%s from %d on: %s is left, and not told: %s", kind, 1+from, key, said)
				}
			}
			if made {
				r.must("list")
			}
		}
	}
}
