package main

import (
	"context"
	"errors"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/worker"
)

// TestMayHang: a command is done in a process of its own where it names a share, whichever flag or variable does, and nowhere else.
func TestMayHang(t *testing.T) {
	share := filepath.Join(newDeadShare(t, t.TempDir()).dir, "repo")
	local := t.TempDir()
	for _, c := range []struct {
		args  string
		env   map[string]string
		apart bool
	}{
		{"list --repository SHARE", nil, true},
		{"list --repository LOCAL", nil, false},
		{"list", map[string]string{"KIST_REPOSITORY": share}, true},
		{"list", map[string]string{"KIST_REPOSITORY": local}, false},
		{"status", map[string]string{"KIST_REPOSITORY": local, "KIST_REPLICA": share}, true},
		{"replicate --to SHARE", map[string]string{"KIST_REPOSITORY": local}, true},
		{"replicate --from SHARE", map[string]string{"KIST_REPOSITORY": local}, true},
		{"setup --replica-of SHARE", map[string]string{"KIST_REPOSITORY": local}, true},
		{"verify --against SHARE", map[string]string{"KIST_REPOSITORY": local}, true},
		{"schedule --repository SHARE", nil, false}, // it writes units, and opens nothing
		{"version", map[string]string{"KIST_REPOSITORY": share}, false},
		{"demo", map[string]string{"KIST_REPOSITORY": share}, false},
	} {
		t.Run(c.args, func(t *testing.T) {
			args := strings.Fields(strings.NewReplacer("SHARE", share, "LOCAL", local).Replace(c.args))
			var out strings.Builder
			a := newApp(strings.NewReader(""), &out, &out, func(key string) string {
				if key == "KIST_CONFIG" {
					return "off"
				}
				return c.env[key]
			})
			a.second = &secondInterrupt{}
			a.work = func(_ context.Context, _ <-chan struct{}, got []string) (worker.Outcome, error) {
				if !slices.Equal(got, args) {
					t.Errorf("the worker does %q", got)
				}
				return worker.Outcome{Status: statusDamage}, nil
			}
			line, err := cmdline.Arrange(sharedFlags(), a.commands(), args)
			if err != nil {
				t.Fatal(err)
			}
			if got := a.mayHang(line); got != c.apart {
				t.Fatalf("apart: %v", got)
			}
			if !c.apart {
				return
			}
			if status := a.run(t.Context(), args); status != statusDamage || out.Len() > 0 {
				t.Errorf("status %d: %s", status, &out)
			}
		})
	}
}

// TestWorkersOutcome: what the worker came to is what the run comes to, and one that was left behind is named.
func TestWorkersOutcome(t *testing.T) {
	failed := errors.New("no process could be started")
	for _, c := range []struct {
		came   worker.Outcome
		err    error
		status int
		said   string
	}{
		{worker.Outcome{}, nil, statusDone, ""},
		{worker.Outcome{Status: 77}, nil, 77, ""},
		{worker.Outcome{Left: 4711}, nil, statusDone, "process 4711 waits in the operating system"},
		{worker.Outcome{Status: statusFailed, Left: 4711}, nil, statusFailed, "process 4711 waits in the operating system"},
		{worker.Outcome{}, failed, statusFailed, failed.Error()},
	} {
		var out strings.Builder
		a := newApp(strings.NewReader(""), &out, &out, func(string) string { return "" })
		a.second = &secondInterrupt{}
		a.work = func(context.Context, <-chan struct{}, []string) (worker.Outcome, error) { return c.came, c.err }
		err := a.workApart(t.Context(), nil)
		if err != nil {
			a.printError(err)
		}
		if got := statusOf(err); got != c.status || !strings.Contains(out.String(), c.said) || c.said == "" && out.Len() > 0 {
			t.Errorf("%+v: status %d: %s", c.came, got, &out)
		}
	}
}
