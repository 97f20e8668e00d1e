package main

import (
	"os"
	"slices"
	"strings"
	"testing"
)

// TestWaitsForAnother: what waits for a repository that lay at a path is told by all that looks there, whether or not the one in
// its place has a spool, and is sent to the first one where that lies by then.
func TestWaitsForAnother(t *testing.T) {
	b := newBench(t)
	b.must("capture", "--spool", b.path("seedbank"))
	b.must("capture", "--spool-only", b.path("seedbank"))
	id := strings.TrimSpace(b.stdout.String())
	if err := os.Rename(b.path("repo"), b.path("moved")); err != nil {
		t.Fatal(err)
	}
	tells := func(status int, args ...string) {
		t.Helper()
		if got := b.run(t.Context(), args...); got != status || !strings.Contains(b.stdout.String()+b.stderr.String(), "1 capture waits in the spool on this machine") ||
			!strings.Contains(b.stdout.String()+b.stderr.String(), "to be sent to another repository, which lay at "+b.path("repo")+" before") {
			t.Errorf("%q: status %d, %s%s", args, got, &b.stdout, &b.stderr)
		}
	}
	tells(statusDone, "setup")
	tells(statusDone, "list")
	tells(statusDone, "resume")
	tells(statusDone, "capture", b.path("seedbank"))
	tells(statusDone, "capture", "--spool", b.path("seedbank"))
	tells(statusDone, "list")
	tells(statusFailed, "status")
	tells(statusDone, "resume")

	b.must("resume", "--repository", b.path("moved"), "--limit-rate", "20MiB")
	if !strings.Contains(b.stderr.String(), "Sent capture "+id) {
		t.Errorf("%s", &b.stderr)
	}
	b.must("list")
	if strings.Contains(b.stderr.String(), "wait") {
		t.Errorf("%s", &b.stderr)
	}
}

// TestWaitingIsNotThere: a command that works on what is in the repository says of a capture that waits that it does.
func TestWaitingIsNotThere(t *testing.T) {
	b := newBench(t)
	b.must("capture", "--spool", b.path("seedbank"))
	first := strings.TrimSpace(b.stdout.String())
	b.must("capture", "--spool-only", "--name", "meadow", b.path("seedbank"))
	id := strings.TrimSpace(b.stdout.String())
	for _, args := range [][]string{
		{"retire", id}, {"amend", id, "--note", "x"}, {"compare", first, id}, {"usage", "--without", id}, {"verify", id},
	} {
		if status := b.run(t.Context(), args...); status != statusMissing || !strings.Contains(b.stderr.String(), "capture "+id+" waits on this machine to be sent there. Run kist resume first") {
			t.Errorf("%q: status %d: %s", args, status, &b.stderr)
		}
	}
	if status := b.run(t.Context(), "retire", "meadow@latest"); status != statusMissing || !strings.Contains(b.stderr.String(), "1 capture waits on this machine to be sent there: if one of them is meant, run kist resume first") {
		t.Errorf("status %d: %s", status, &b.stderr)
	}
}

// TestListWaitingInOrder: what waits is listed among the others, the oldest first, also of one minute, of which ids tell nothing.
func TestListWaitingInOrder(t *testing.T) {
	b := newBench(t)
	var want []string
	for _, second := range []string{"05", "04", "03", "02", "01"} {
		way := "--spool-only"
		if second == "05" {
			way = "--spool"
		}
		b.must("capture", way, "--taken", "2026-03-14T02:03:"+second+"Z", b.path("seedbank"))
		want = append([]string{strings.TrimSpace(b.stdout.String())}, want...)
	}
	b.must("list")
	var got []string
	for _, line := range strings.Split(strings.TrimSpace(b.stdout.String()), "\n")[1:] {
		id, _, _ := strings.Cut(line, " ")
		got = append(got, id)
	}
	if !slices.Equal(got, want) {
		t.Errorf("%q, not %q", got, want)
	}
}
