package watch

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
)

// states is an engine that gives one state of a container after the other; the last stays.
type states struct {
	all    []string
	asked  int
	broken bool
}

func (s *states) Run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	switch {
	case args[0] == "logs":
		fmt.Fprintln(stdout, "one\ntwo TOKEN=hush")
		fmt.Fprintln(stderr, "three")
		return nil
	case s.broken && s.asked > 0:
		return errors.New("out of order")
	}
	state := s.all[min(s.asked, len(s.all)-1)]
	s.asked++
	if state == "gone" {
		fmt.Fprintln(stderr, "no such container")
		return errors.New("exit status 125")
	}
	_, err := fmt.Fprintf(stdout, `[{"Id":"ab","Name":"seedbank",%s}]`, state)
	return err
}

const up = `"State":{"Running":true,"StartedAt":"1"}`

func health(status string) string {
	b, _ := json.Marshal(status)
	return `"State":{"Running":true,"StartedAt":"1","Health":{"Status":` + string(b) + `}}`
}

func TestContainer(t *testing.T) {
	if _, err := exec.LookPath("sh"); err != nil {
		t.Skip(err)
	}
	const short = 20 * time.Millisecond
	for name, test := range map[string]struct {
		all     []string
		healthy string
		want    string // in Why; "" for healthy
	}{
		"up":                   {all: []string{up}},
		"ends":                 {all: []string{up, up, `"State":{"Status":"exited","ExitCode":3}`}, want: "exit status 3"},
		"gone":                 {all: []string{up, "gone"}, want: "gone"},
		"restarted by policy":  {all: []string{up, `"RestartCount":1,` + up}, want: "restart"},
		"started another time": {all: []string{up, `"State":{"Running":true,"StartedAt":"2"}`}, want: "restart"},
		"paused":               {all: []string{up, `"State":{"Status":"paused","StartedAt":"1"}`}, want: "paused"},
		"becomes well":         {all: []string{health("starting"), health("starting"), health("healthy")}},
		"never well":           {all: []string{health("starting")}, want: "had not passed"},
		"unwell":               {all: []string{health("starting"), health("unhealthy")}, want: "unhealthy"},
		"no health check":      {all: []string{health("")}},
		"asked, well":          {all: []string{up}, healthy: `test "$KIST_CONTAINER" = seedbank`},
		"asked, unwell":        {all: []string{up}, healthy: "echo no answer >&2; exit 7", want: "exit status 7: no answer"},
	} {
		synctest.Test(t, func(t *testing.T) { // so that there is time for each state
			e := engine.NewWith("engine", &states{all: test.all})
			v, err := Container(t.Context(), e, "ab", Options{For: short, Every: time.Millisecond, Healthy: test.healthy, Lines: 2})
			if err != nil {
				t.Errorf("%s: %v", name, err)
				return
			}
			if v.Healthy != (test.want == "") || !strings.Contains(v.Why, test.want) {
				t.Errorf("%s: %+v", name, v)
			}
			if log := strings.Join(v.Log, " "); !v.Healthy && log != "two TOKEN=**** three" {
				t.Errorf("%s: log %q", name, log)
			}
		})
	}
}

// TestStaysForTheWholeTime: what runs at first and ends later is not well.
func TestStaysForTheWholeTime(t *testing.T) {
	s := &states{all: []string{up, up, up, up, up, `"State":{"Status":"exited","ExitCode":1}`}}
	v, err := Container(t.Context(), engine.NewWith("engine", s), "ab", Options{For: time.Hour, Every: time.Millisecond})
	if err != nil || v.Healthy {
		t.Errorf("%+v, %v", v, err)
	}
}

func TestWatchFails(t *testing.T) {
	e := engine.NewWith("engine", &states{all: []string{up}, broken: true})
	if v, err := Container(t.Context(), e, "ab", Options{For: time.Second, Every: time.Millisecond}); err == nil {
		t.Errorf("%+v of an engine that does not answer", v)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if v, err := Container(ctx, engine.NewWith("engine", &states{all: []string{up}}), "ab", Options{For: time.Hour}); !errors.Is(err, context.Canceled) {
		t.Errorf("%+v, %v", v, err)
	}
}

func TestCommand(t *testing.T) {
	if _, err := exec.LookPath("sh"); err != nil {
		t.Skip(err)
	}
	for command, healthy := range map[string]bool{"true": true, "false": false} {
		v, err := Command(t.Context(), Options{Healthy: command})
		if err != nil || v.Healthy != healthy {
			t.Errorf("%s: %+v, %v", command, v, err)
		}
	}
}

// TestShorten: what is longer than some lines of a screen loses its middle; a rune is not cut.
func TestShorten(t *testing.T) {
	for _, test := range []struct{ line, want string }{
		{"", ""}, {strings.Repeat("é", 400), strings.Repeat("é", 400)},
		{strings.Repeat("a", 200) + "xyz" + strings.Repeat("é", 200), strings.Repeat("a", 200) + "…" + strings.Repeat("é", 200)},
	} {
		if got := shorten(test.line); got != test.want {
			t.Errorf("%q", got)
		}
	}
}
