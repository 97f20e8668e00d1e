package rehearse

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/watch"
)

// machine is a container engine in memory. Each command is counted, and one of them goes wrong.
type machine struct {
	containers map[string]*fakeContainer // by id
	made       int
	bad        bool // what is started ends
	wrong      []string
	scratch    string // what containers may have mounted

	n, at  int
	how    fault
	dead   bool // the process ended
	cancel context.CancelFunc
	hit    string
	late   func() // what the engine goes on to do after the process ended
}

type fakeContainer struct {
	id, name, label string
	running         bool
}

// fault is what happens at a command.
type fault string

const (
	failsBefore  fault = "it fails, and did nothing"
	failsAfter   fault = "it does its work, and fails"
	failsForGood fault = "it and all later ones fail"
	killsBefore  fault = "the process ends before it"
	killsAfter   fault = "the process ends after it"
	killsDuring  fault = "the process ends, and the engine goes on"
	interrupts   fault = "it is interrupted"
)

type killed struct{}

var errOrder = errors.New("out of order")

// Run implements engine.Runner.
func (m *machine) Run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) error {
	if m.dead {
		panic(killed{})
	}
	m.n++
	now := m.n == m.at
	if now {
		m.hit = args[0]
	}
	switch {
	case m.how == failsForGood && m.at > 0 && m.n >= m.at, now && m.how == failsBefore:
		return errOrder
	case now && m.how == killsDuring:
		m.late = func() { m.command(args, io.Discard) }
		fallthrough
	case now && m.how == killsBefore:
		m.dead = true
		panic(killed{})
	case now && m.how == interrupts:
		m.cancel()
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	err := m.command(args, stdout)
	if err != nil {
		fmt.Fprintln(stderr, err)
	}
	switch {
	case now && m.how == killsAfter:
		m.dead = true
		panic(killed{})
	case now && m.how == failsAfter:
		return errOrder
	}
	return err
}

func (m *machine) command(args []string, stdout io.Writer) error {
	last := args[len(args)-1]
	if args[0] == "create" {
		return m.create(args, stdout)
	}
	var c *fakeContainer
	for _, other := range m.containers {
		if other.id == last || other.name == last {
			c = other
		}
	}
	if c == nil {
		return errors.New("no such container")
	}
	if args[0] != "inspect" && c.name == "seedbank" {
		m.wrong = append(m.wrong, fmt.Sprintf("%q of the service", args))
	}
	switch args[0] {
	case "inspect":
		return json.NewEncoder(stdout).Encode([]any{map[string]any{
			"Id": c.id, "Name": c.name, "State": map[string]any{"Running": c.running, "ExitCode": 3, "StartedAt": "1"},
			"Config": map[string]any{"Labels": map[string]string{label: c.label}},
		}})
	case "start":
		c.running = !m.bad
	case "logs":
		fmt.Fprintln(stdout, "I can't read this")
	case "rm":
		if strings.Join(args[:3], " ") != "rm --force --volumes" {
			return fmt.Errorf("unexpected %q", args)
		}
		delete(m.containers, c.id)
	default:
		return fmt.Errorf("unknown command %q", args)
	}
	return nil
}

func (m *machine) create(args []string, stdout io.Writer) error {
	c := &fakeContainer{}
	for i := 0; i+1 < len(args); i++ {
		switch args[i] {
		case "--name":
			c.name = args[i+1]
		case "--label":
			_, c.label, _ = strings.Cut(args[i+1], "=")
		case "--volume":
			if !strings.HasPrefix(args[i+1], m.scratch) {
				m.wrong = append(m.wrong, "mounted: "+args[i+1])
			}
		}
	}
	if text := strings.Join(args, " "); !strings.Contains(text, "--network=none --restart=no") || strings.Contains(text, "publish") {
		m.wrong = append(m.wrong, "made by: "+text)
	}
	m.made++
	c.id = fmt.Sprintf("c%d", m.made)
	m.containers[c.id] = c
	fmt.Fprintln(stdout, c.id)
	return nil
}

// site is a machine with folders.
type site struct {
	*machine
	t              *testing.T
	notes, scratch string
	said           bytes.Buffer
}

func newSite(t *testing.T) *site {
	s := &site{t: t, notes: filepath.Join(t.TempDir(), "notes"), scratch: t.TempDir()}
	s.machine = &machine{containers: map[string]*fakeContainer{"service": {id: "service", name: "seedbank", running: true}}, scratch: s.scratch}
	return s
}

func (s *site) keeper() *Keeper {
	return &Keeper{
		Screen: screen.New(&s.said, &s.said), Folder: func() (string, error) { return s.notes, nil },
		Engine: func(program string) *engine.Engine { return engine.NewWith(program, s.machine) },
	}
}

// rehearse is a whole rehearsal of two containers. ended is false where the process was killed.
func (s *site) rehearse(ctx context.Context, k *Keeper) (healthy, ended bool, err error) {
	var p *Place
	defer func() {
		if was := recover(); was != nil {
			if _, ok := was.(killed); !ok {
				panic(was)
			}
			ended = false
			p.release() // as the system does of a process that ended
		}
	}()
	p, err = k.Begin(s.scratch, engine.NewWith("engine", s.machine), 2)
	if err != nil {
		return false, true, err
	}
	defer func() {
		if !s.dead {
			err = errors.Join(err, p.Remove(ctx))
		}
	}()
	data := filepath.Join(p.Dir(), "1")
	if err := os.MkdirAll(filepath.Join(data, "closed"), 0o700); err != nil {
		s.t.Fatal(err)
	}
	if err := errors.Join(os.WriteFile(filepath.Join(data, "closed", "index"), nil, 0o400), os.Chmod(filepath.Join(data, "closed"), 0)); err != nil {
		s.t.Fatal(err)
	}
	trial := Trial{
		Launch: &engine.Launch{Name: "seedbank", Image: "seedbank:4.1.0", HostConfig: json.RawMessage(`{"PortBindings":{"1/tcp":[{"HostPort":"1"}]}}`)},
		Mounts: []engine.TrialMount{{Source: data, Destination: "/data"}}, Watch: watch.Options{},
	}
	for n := range 2 {
		v, _, err := p.Try(ctx, n, trial)
		if err != nil {
			return false, true, err
		}
		if !v.Healthy {
			return false, true, nil
		}
	}
	return true, true, nil
}

// mustBeClear: nothing is left but the service, and nothing was done to it.
func (s *site) mustBeClear(what string) {
	s.t.Helper()
	for _, c := range s.containers {
		if c.name != "seedbank" || !c.running {
			s.t.Errorf("%s: container %s is left; the service runs: %v", what, c.name, c.running)
		}
	}
	if len(s.containers) == 0 || len(s.wrong) > 0 {
		s.t.Errorf("%s: %q", what, s.wrong)
	}
	for _, dir := range []string{s.scratch, s.notes} {
		left, err := os.ReadDir(dir)
		if err != nil || len(left) > 0 {
			s.t.Errorf("%s: in %s is left: %v, %v", what, dir, left, err)
		}
	}
}

func (s *site) age() {
	notes, _ := filepath.Glob(filepath.Join(s.notes, noteNames))
	for _, note := range notes {
		old := time.Now().Add(-makingTime - time.Minute)
		if err := os.Chtimes(note, old, old); err != nil {
			s.t.Fatal(err)
		}
	}
}

// TestFaults has each command go wrong, in each way. Whatever happens, nothing is left of the rehearsal after
// it or, where the process or the engine ended, after the next run.
func TestFaults(t *testing.T) {
	for _, bad := range []bool{false, true} {
		for _, how := range []fault{failsBefore, failsAfter, failsForGood, killsBefore, killsAfter, killsDuring, interrupts} {
			t.Run(fmt.Sprintf("%s, bad %t", how, bad), func(t *testing.T) {
				for at := 1; ; at++ {
					if !faultAt(t, how, at, bad) {
						if at < 8 {
							t.Errorf("only %d commands: the test sees too little", at-1)
						}
						return
					}
					if t.Failed() {
						return
					}
				}
			})
		}
	}
}

func faultAt(t *testing.T, how fault, at int, bad bool) (fired bool) {
	s := newSite(t)
	s.how, s.at, s.bad = how, at, bad
	var ctx context.Context
	ctx, s.cancel = context.WithCancel(t.Context())
	defer s.cancel()
	k := s.keeper()
	healthy, ended, err := s.rehearse(ctx, k)
	what := fmt.Sprintf("command %d, %s, %s (ended: %t, %v)", at, s.hit, how, ended, err)
	if s.hit == "" {
		if err != nil || healthy == bad {
			t.Errorf("without a fault: %v, %v", healthy, err)
		}
		s.mustBeClear(what)
		return false
	}
	if s.hit == "rm" && how == failsAfter && (err != nil || healthy == bad) {
		t.Errorf("%s: one that is gone is not worth an error: healthy is %v", what, healthy)
	}
	if ended && err == nil && healthy == bad && s.hit != "start" {
		t.Errorf("%s: healthy is %v", what, healthy)
	}
	if ended && how != failsForGood && (err == nil || how == interrupts) {
		s.mustBeClear(what)
	}
	s.at, s.how, s.dead = 0, "", false
	// At once, and again once the engine has done what it was asked for.
	for _, err := range []error{k.RemoveLeft(t.Context()), s.later(), k.RemoveLeft(t.Context())} {
		if err != nil {
			t.Errorf("%s: %v", what, err)
		}
	}
	if how == killsDuring || how == killsBefore { // whether it had been asked can't be told
		s.age()
		if err := k.RemoveLeft(t.Context()); err != nil {
			t.Errorf("%s: %v", what, err)
		}
	}
	s.mustBeClear(what)
	return true
}

func (s *site) later() error {
	if s.late != nil {
		s.late()
	}
	return nil
}

// What others made under such a name is left alone, and so is what a run at work made.
func TestNotOurs(t *testing.T) {
	s := newSite(t)
	k := s.keeper()
	e := engine.NewWith("engine", s.machine)
	p, err := k.Begin(s.scratch, e, 1)
	if err != nil {
		t.Fatal(err)
	}
	if info, err := os.Stat(p.Dir()); err != nil || info.Mode().Perm() != 0o700 {
		t.Errorf("%v, %v", info, err)
	}
	s.containers["other"] = &fakeContainer{id: "other", name: p.container(0), label: "another"}
	if err := k.RemoveLeft(t.Context()); err != nil {
		t.Error(err)
	}
	if _, err := os.Stat(p.Dir()); err != nil {
		t.Errorf("another run removed it: %v", err)
	}
	if err := p.Remove(t.Context()); err != nil {
		t.Error(err)
	}
	if s.containers["other"] == nil {
		t.Error("another's container was removed")
	}
	if err := p.Remove(t.Context()); err != nil {
		t.Errorf("again: %v", err)
	}
}

// A note that is not of a rehearsal removes nothing.
func TestForeignNotes(t *testing.T) {
	s := newSite(t)
	k := s.keeper()
	precious := filepath.Join(s.scratch, "precious")
	if err := errors.Join(os.Mkdir(s.notes, 0o700), os.Mkdir(precious, 0o700)); err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{
		"rehearsal-0123456789ab.json": fmt.Sprintf(`{"token":"0123456789ab","scratch":%q}`, precious),
		"rehearsal-0123456789ac.json": fmt.Sprintf(`{"token":"0123456789ab","scratch":%q}`, filepath.Join(s.scratch, prefix+"0123456789ab")),
		"rehearsal-0123456789ad.json": `{"token":"0123456789ad","scratch":"kist-rehearsal-0123456789ad"}`,
		"rehearsal-0123456789ae.json": `{"token":"0123456789ae","containers":-1,"scratch":"/kist-rehearsal-0123456789ae"}`,
		"rehearsal-.json":             `{"token":"","scratch":"/kist-rehearsal-"}`,
		"rehearsal-x.json":            `{`,
	} {
		path := filepath.Join(s.notes, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := k.RemoveLeft(t.Context()); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v", name, err)
		}
		if err := os.Remove(path); err != nil {
			t.Error(err)
		}
	}
	if err := os.Symlink(precious, filepath.Join(s.notes, "rehearsal-1.json")); err != nil {
		t.Fatal(err)
	}
	if err := k.RemoveLeft(t.Context()); err == nil {
		t.Error("a link is taken for a note")
	}
	if _, err := os.Stat(precious); err != nil {
		t.Error(err)
	}
}

func TestBeginRefuses(t *testing.T) {
	s := newSite(t)
	k := s.keeper()
	colon := filepath.Join(s.scratch, "a:b")
	if err := os.Mkdir(colon, 0o700); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(s.scratch, "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, above := range []string{colon, file, filepath.Join(s.scratch, "nosuch")} {
		if p, err := k.Begin(above, engine.NewWith("engine", s.machine), 1); err == nil {
			t.Errorf("%s: %v", above, p)
		}
	}
	p, err := k.Begin(colon, nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	if err := p.Remove(t.Context()); err != nil {
		t.Error(err)
	}
	if left, _ := os.ReadDir(s.notes); len(left) > 0 {
		t.Errorf("%v is left", left)
	}
}

// TestPlantedNotes: where others can write, they could name what is removed and which program is run.
func TestPlantedNotes(t *testing.T) {
	s := newSite(t)
	const token = "0123456789ab"
	precious := filepath.Join(s.scratch, prefix+token)
	text := fmt.Sprintf(`{"token":%q,"scratch":%q}`, token, precious)
	err := errors.Join(os.Mkdir(s.notes, 0o700), os.Chmod(s.notes, 0o777), os.Mkdir(precious, 0o700),
		os.WriteFile(filepath.Join(s.notes, noteName(token)), []byte(text), 0o600))
	if err != nil {
		t.Fatal(err)
	}
	if err := s.keeper().RemoveLeft(t.Context()); err == nil {
		t.Error("notes that others can write are used")
	}
	if _, err := os.Stat(precious); err != nil || s.n > 0 {
		t.Errorf("%v, and the engine was asked %d times", err, s.n)
	}
}
