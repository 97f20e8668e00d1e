package serve

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/page"
	"github.com/kistarchive/kist/store"
)

// TestCountedOnce: what captures cost is counted anew when they are others, were amended, or some time has passed, and
// when somebody asks for it; and by one at a time.
func TestCountedOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newCounting()
		counted := 0
		count := func(context.Context) (*page.Report, error) { counted++; return &page.Report{Made: time.Now()}, nil }
		captures := []*store.Capture{{ID: "a", Version: "4.1.0"}}
		for _, step := range []struct {
			what   string
			change func()
			again  bool
			anew   bool
		}{
			{"the first time", func() {}, false, true},
			{"the same", func() {}, false, false},
			{"a list read anew", func() { captures = []*store.Capture{{ID: "a", Version: "4.1.0"}} }, false, false},
			{"amended", func() { captures[0].Version = "4.2.0" }, false, true},
			{"retired", func() { captures[0].Retired = &store.Retirement{} }, false, true},
			{"another one", func() { captures = append(captures, &store.Capture{ID: "b"}) }, false, true},
			{"not yet too old", func() { time.Sleep(countedTime - time.Second) }, false, false},
			{"too old", func() { time.Sleep(time.Second) }, false, true},
			{"asked for", func() {}, true, true},
		} {
			step.change()
			before := counted
			if _, err := c.get(t.Context(), captures, step.again, count); err != nil || counted > before != step.anew {
				t.Errorf("%s: counted %d times, %v", step.what, counted-before, err)
			}
		}
		c.turn <- struct{}{} // somebody counts
		done, leave := context.WithCancel(t.Context())
		leave()
		if _, err := c.get(done, captures, false, count); !errors.Is(err, context.Canceled) {
			t.Errorf("who has left waits: %v", err)
		}
		<-c.turn
		broken := errors.New("the share went away")
		if _, err := c.get(t.Context(), captures, true, func(context.Context) (*page.Report, error) { return nil, broken }); err != broken {
			t.Errorf("%v", err)
		}
	})
}

// TestRulesInZone: the days of rules are those of the page's zone.
func TestRulesInZone(t *testing.T) {
	w := newWorld(t)
	w.server.o.Costs = func(ctx context.Context) (*page.Report, error) {
		u, err := w.r.Usage(ctx)
		return &page.Report{Usage: u, Made: time.Now(), Zone: time.FixedZone("", -7*60*60)}, err
	}
	evening := time.Date(2026, 3, 14, 23, 50, 0, 0, time.UTC)
	for _, at := range []time.Time{evening, evening.Add(20 * time.Minute)} { // one day there, and two in UTC
		if _, err := w.r.Capture(t.Context(), store.CaptureOptions{Name: "mill", Host: "hazel", Taken: at, Volumes: w.volumes("bean")}); err != nil {
			t.Fatal(err)
		}
	}
	w.server.library.forget()
	if _, _, body := w.get("/costs?days=9"); strings.Count(body, `<td class="kind">would go</td>`) != 1 {
		t.Error("of two captures of one day not one would go")
	}
}

// TestTryRules: the page of costs tells which captures rules keep, and has them in its form.
func TestTryRules(t *testing.T) {
	w := newWorld(t)
	if _, _, body := w.get("/costs"); strings.Contains(body, "would go") || !strings.Contains(body, `name="weeks"`) {
		t.Error("without rules something is said to go, or nothing asks for rules")
	}
	_, _, body := w.get("/costs?last=1&versions=1")
	for _, has := range []string{"By these rules (last 1, versions 1) 1 capture would go", `name="last" min="0" max="99999" value="1"`, `<tr data-plan="` + w.was.ID + `">`} {
		if !strings.Contains(body, has) {
			t.Errorf("%q is not in\n%s", has, body)
		}
	}
	if _, _, body := w.get("/costs?last=-3&days=x"); strings.Contains(body, "By these rules") {
		t.Error("rules that ask for nothing are told of")
	}
}
