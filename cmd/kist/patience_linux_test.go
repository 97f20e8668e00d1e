package main

import (
	"os"
	"os/signal"
	"regexp"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store/storage/files"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// inBubble has a bench's repository hang, in a bubble of a clock that goes on when all wait.
func inBubble(t *testing.T, newOne func(*testing.T) *bench, do func(t *testing.T, b *bench, h *storagetest.Hung)) {
	// What watches signals for the whole process begins with the first that asks, and must not be in the bubble.
	signals := make(chan os.Signal, 1)
	signal.Notify(signals, os.Interrupt)
	signal.Stop(signals)
	synctest.Test(t, func(t *testing.T) {
		b, h := newOne(t), new(storagetest.Hung)
		b.place = func(path string) files.Place { return h.Place(files.OS(path)) }
		do(t, b, h)
	})
}

// TestGivesUp has the repository hang at each call, or a sample of them, of each kind of command: the run says what it waits for,
// ends by itself, names the folder, and leaves nothing that harms.
func TestGivesUp(t *testing.T) {
	commands := []struct {
		args   []string
		stride int
	}{
		{[]string{"list"}, 3},
		{[]string{"status"}, 5},
		{[]string{"show", "latest"}, 5},
		{[]string{"verify", "--full"}, 7},
		{[]string{"contents", "latest"}, 7},
		{[]string{"usage"}, 7},
		{[]string{"passphrase", "list"}, 3},
		{[]string{"hold", "latest"}, 9},
		{[]string{"reclaim"}, 11},
		{[]string{"restore", "latest", "--into", "RESTORED"}, 9},
		{[]string{"capture", "--wait", "2m", "SEEDBANK"}, 11},
	}
	for _, c := range commands {
		t.Run(c.args[0], func(t *testing.T) {
			inBubble(t, newBench, func(t *testing.T, b *bench, h *storagetest.Hung) {
				b.must("capture", b.path("seedbank"))
				args := append([]string{"--give-up", "2m"}, c.args...)
				for i := range args {
					args[i] = strings.NewReplacer("SEEDBANK", b.path("seedbank"), "RESTORED", b.path("restored")).Replace(args[i])
				}
				points := 0
				for n := 0; ; n += c.stride {
					h.From(n)
					status := b.run(t.Context(), args...)
					said := b.stderr.String()
					hung := h.Release()
					synctest.Wait()
					if hung == 0 {
						break
					}
					if status == statusDone { // what hung was tidying up
						continue
					}
					points++
					if status != statusFailed || !strings.Contains(said, "Warning: waiting for "+b.path("repo")+" to answer, for 5s by now (") ||
						!strings.Contains(said, "kist: "+b.path("repo")+": ") || !strings.Contains(said, "no answer in time: is its server up? (it was silent for 2 minutes)") {
						t.Fatalf("call %d: status %d: %s", n, status, said)
					}
					if _, err := os.Stat(b.path("restored")); err == nil {
						t.Fatalf("call %d: it is restored", n)
					}
				}
				if points < 2 {
					t.Errorf("it hung %d times: are calls seen?", points)
				}
				b.must("verify", "--full")
			})
		})
	}
}

// TestWaitsAndGoesOn: without --give-up it waits for as long as it takes, says so ever less often, and goes on.
func TestWaitsAndGoesOn(t *testing.T) {
	inBubble(t, newBench, func(t *testing.T, b *bench, h *storagetest.Hung) {
		h.From(5)
		go func() {
			time.Sleep(time.Hour)
			h.Release()
		}()
		b.must("list")
		said := b.stderr.String()
		waits := regexp.MustCompile(`for [0-9a-z ]+ by now`).FindAllString(said, -1)
		if want := "for 5s by now, for 10s by now, for 20s by now, for 40s by now, for 1m20s by now, for 2m40s by now, for 5m20s by now, for 10m40s by now, for 21m20s by now, for 36m20s by now, for 51m20s by now"; strings.Join(waits, ", ") != want {
			t.Errorf("it says %q", waits)
		}
		if !strings.Contains(said, "The wait for "+b.path("repo")+" is over, after 1 hour.") {
			t.Errorf("%s", said)
		}
	})
}

// TestGivesUpWithServiceDown: a capture straight into a repository that hangs for good while the service is held still, at whatever
// call, ends, and the service runs: a container that was stopped, and what a command held still.
func TestGivesUpWithServiceDown(t *testing.T) {
	straight := []string{"capture", "--no-spool", "--reread", "--give-up", "90s"}
	gaveUp := func(t *testing.T, b *bench, n, hung, status int) {
		t.Helper()
		if said := b.stderr.String(); status != statusFailed && (n == 0 || status != statusDone) || status == statusFailed && !strings.Contains(said, "there was no answer in time") {
			t.Errorf("call %d: %d calls hung, status %d: %s", n, hung, status, said)
		}
	}
	t.Run("container", func(t *testing.T) {
		inBubble(t, newFakeContainer, func(t *testing.T, b *bench, h *storagetest.Hung) {
			runner := b.engine
			for n, hung := 0, 1; hung > 0; n += 9 {
				b.engine = &hooked{runner, func() { h.From(n) }, func() {}}
				status := b.run(t.Context(), append(straight, "--container", "seedbank", "--stop")...)
				b.mustRun("seedbank")
				hung = h.Release()
				gaveUp(t, b, n, hung, status)
				synctest.Wait()
				if n == 0 && hung == 0 {
					t.Error("nothing hung")
				}
			}
			b.must("verify", "--full")
		})
	})
	t.Run("command", func(t *testing.T) {
		inBubble(t, newBench, func(t *testing.T, b *bench, h *storagetest.Hung) {
			down := b.path("down")
			for n, hung := 0, 1; hung > 0; n += 9 {
				h.From(n)
				status := b.run(t.Context(), append(straight, "--before", "touch "+down, "--after", "rm -f "+down, b.path("seedbank"))...)
				if _, err := os.Stat(down); err == nil {
					t.Errorf("call %d: it is held still", n)
				}
				hung = h.Release()
				gaveUp(t, b, n, hung, status)
				synctest.Wait()
			}
			b.must("verify", "--full")
		})
	})
}

// TestHangsWhileSending: a repository that hangs once the container is stopped costs no down time: the capture waits in the
// spool, whatever call hangs, and is sent later.
func TestHangsWhileSending(t *testing.T) {
	inBubble(t, newFakeContainer, func(t *testing.T, b *bench, h *storagetest.Hung) {
		b.must("capture", "--container", "seedbank", "--stop", "--spool")
		runner := b.engine
		for n := 0; ; n += 17 {
			b.engine = &hooked{runner, func() { h.From(n) }, func() {}}
			status := b.run(t.Context(), "capture", "--container", "seedbank", "--stop", "--spool", "--reread", "--give-up", "90s")
			said, id := b.stderr.String(), strings.TrimSpace(b.stdout.String())
			hung := h.Release()
			b.mustRun("seedbank")
			synctest.Wait()
			if hung == 0 {
				break
			}
			// Where it hung after the capture was sent it need not wait.
			if status != statusFailed && n == 0 || id == "" || n == 0 && !strings.Contains(said, "kist: capture "+id+" is made, and waits on this machine") {
				t.Fatalf("call %d: status %d, %q: %s", n, status, id, said)
			}
			b.must("resume")
			b.must("list")
			if strings.Contains(b.stdout.String(), "waiting") || strings.Count(b.stdout.String(), id) != 1 {
				t.Fatalf("call %d: %s", n, &b.stdout)
			}
		}
		b.must("verify", "--full")
	})
}

// TestAnswersFromSpool: what can be answered by the spool is, while the repository hangs, at whatever call of opening it: after
// --give-up, or, without that, some seconds. What can't names the spool, and nothing is said to answer again.
func TestAnswersFromSpool(t *testing.T) {
	inBubble(t, newBench, func(t *testing.T, b *bench, h *storagetest.Hung) {
		b.must("capture", "--spool", b.path("seedbank"))
		time.Sleep(time.Second) // of the bubble: so this one is the earlier
		b.must("capture", "--spool-only", b.path("seedbank"))
		id := strings.TrimSpace(b.stdout.String())
		commands := []struct {
			args   []string
			status int
			want   string // of what it prints
		}{
			{[]string{"list"}, statusFailed, id},
			{[]string{"status"}, statusFailed, id},
			{[]string{"show", "seedbank@latest"}, statusDone, id},
			{[]string{"show", id}, statusDone, id},
			{[]string{"contents", id}, statusDone, ""},
			{[]string{"restore", "seedbank@latest", "--into", b.path("restored")}, statusDone, ""},
			{[]string{"verify", "--give-up", "6s"}, statusFailed, ""},
		}
		for _, c := range commands {
			for _, patience := range [][]string{{"--give-up", "6s"}, nil} {
				for _, n := range []int{0, 4} {
					h.From(n)
					began := time.Now()
					status := b.run(t.Context(), append(c.args, patience...)...)
					took := time.Since(began)
					hung := h.Release()
					synctest.Wait()
					said := b.stderr.String()
					if hung == 0 || status != c.status || !strings.Contains(b.stdout.String(), c.want) || !strings.Contains(said, "in the spool on this machine") || strings.Contains(said, "is over, after") {
						t.Errorf("%q %q, call %d: %d hung, status %d, %q: %s", c.args, patience, n, hung, status, &b.stdout, said)
					}
					if most := 25 * time.Second; took > most || patience != nil && n == 0 && took != 6*time.Second {
						t.Errorf("%q %q, call %d: it took %s", c.args, patience, n, took)
					}
					if err := os.RemoveAll(b.path("restored")); err != nil {
						t.Fatal(err)
					}
				}
			}
		}
	})
}

// TestWaitIsOver: where the repository hangs while it is opened, at whatever call, the capture goes into the spool after --wait.
func TestWaitIsOver(t *testing.T) {
	inBubble(t, newBench, func(t *testing.T, b *bench, h *storagetest.Hung) {
		capture := []string{"capture", "--spool", "--wait", "30s", b.path("seedbank")}
		b.must(capture...)
		for _, n := range []int{0, 3, 8} {
			h.From(n)
			status := b.run(t.Context(), capture...)
			said := b.stderr.String()
			if hung := h.Release(); hung == 0 || status != statusFailed || !strings.Contains(said, "(it was silent for 30s). The capture goes into the spool on this machine") || !strings.Contains(said, "is made, and waits on this machine") {
				t.Errorf("call %d: %d hung, status %d: %s", n, hung, status, said)
			}
			synctest.Wait()
		}
		h.From(0) // where it can go nowhere else, nothing ends the run sooner than --give-up
		status := b.run(t.Context(), "--give-up", "50s", "capture", "--no-spool", "--wait", "30s", b.path("seedbank"))
		if said := b.stderr.String(); h.Release() == 0 || status != statusFailed || !strings.Contains(said, "(it was silent for 50s)") {
			t.Errorf("status %d: %s", status, said)
		}
		synctest.Wait()
		b.must("resume")
		b.must("verify", "--full")
	})
}
