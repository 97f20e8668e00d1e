package upgrade

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// machine is a container engine, the data of one volume, and a repository, in memory. Everything that is done
// to it is counted, and one of these may fail.
type machine struct {
	t          *testing.T
	containers map[string]*fakeContainer // by id
	images     map[string]string         // digests, by name; pull makes those of pullable
	pullable   map[string]string
	data       string
	inode      uint64 // of the folder that has it
	built      uint64 // folders
	damaged    bool   // the capture
	dir        string // of journals
	noUpdate   bool   // the engine can't change restart policies
	captures   map[string]string
	held       map[string]bool
	kept       []string
	made       int
	wrong      []string // what must never be

	n       int // operations until now
	at      int // the one that fails; the first is 1
	how     fault
	dead    bool // the process ended
	cancel  context.CancelFunc
	bad     bool // the new version ruins the data and ends
	noShare bool // the repository can't be reached
	hit     string
	forgets bool // the engine does not give a new container its restart policy
	copies  bool // the engine copies data into the volume: nothing is kept, and nothing tells that it was done
	backRan bool // the old version ran on data that was put back

	anyPolicy bool // those that are set aside may have one
	policy    string
	lasts     int             // how many operations the new version runs before it ends by itself; 0 for good
	obeys     bool            // the engine takes a stop between two restarts for one
	delay     int             // operations until a container that ended is started again
	cycles    *fakeContainer  // ends whenever it is started
	wrote     bool            // containers wrote into their own layers
	needed    map[string]bool // containers, by id, on which others depend
	hidden    bool            // nothing tells of that
	noPolicy  bool            // the engine makes all containers without a restart policy
	odd       bool            // the engine tells something that nobody knows of containers that kist did not make
}

type fakeContainer struct {
	id, name, image, policy string
	running, started        bool
	starts                  int
	labels                  map[string]string

	restarts, left, due int // operations until it ends, and until it is started again; 0 for never
}

// fault is what happens at an operation.
type fault string

const (
	none         fault = "nothing"
	failsBefore  fault = "it fails, and did nothing"
	failsAfter   fault = "it does its work, and fails"
	failsForGood fault = "it and all later ones fail"
	killsBefore  fault = "the process ends before it"
	killsAfter   fault = "the process ends after it"
	interrupts   fault = "it is interrupted"
)

// killed is what a process that ends panics with.
type killed struct{}

var errOrder = errors.New("out of order")

// op does one operation.
func (m *machine) op(what string, do func() error) error {
	if m.dead {
		panic(killed{})
	}
	m.n++
	now := m.n == m.at
	if now {
		m.hit = what
	}
	switch {
	case m.how == failsForGood && m.at > 0 && m.n >= m.at, now && m.how == failsBefore:
		return errOrder
	case now && m.how == killsBefore:
		m.dead = true
		panic(killed{})
	case now && m.how == interrupts:
		m.cancel()
	}
	err := do()
	if now && m.how == killsAfter {
		m.dead = true
		panic(killed{})
	}
	if now && m.how == failsAfter {
		return errOrder
	}
	return err
}

const (
	oldData = "the data of 4.1.0"
	newData = "the data of 4.2.0"
)

func newMachine(t *testing.T) *machine {
	m := &machine{
		t: t, containers: map[string]*fakeContainer{}, data: oldData, captures: map[string]string{}, held: map[string]bool{},
		images: map[string]string{"seedbank:4.1.0": "sha256:11", "seedbank:4.2.0": "sha256:22"},
	}
	m.policy, m.delay = "always", 3
	m.containers["c0"] = &fakeContainer{id: "c0", name: "seedbank", image: "seedbank:4.1.0", policy: m.policy, running: true, started: true, starts: 1, labels: map[string]string{"shelf": "north"}}
	return m
}

// Run implements engine.Runner.
func (m *machine) Run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) error {
	err := m.op(args[0], func() error {
		if err := ctx.Err(); err != nil && m.how == interrupts {
			if args[0] == "stop" {
				m.wrong = append(m.wrong, "a stop was cut short")
			}
			return err
		}
		m.tick()
		return m.command(args, stdout, stderr)
	})
	if err != nil {
		fmt.Fprintln(stderr, err)
	}
	return err
}

func (m *machine) find(name string) *fakeContainer {
	for _, c := range m.containers {
		if c.id == name || c.name == name {
			return c
		}
	}
	return nil
}

// tick lets time go by: what is to end ends, and what is to be started again is.
func (m *machine) tick() {
	for _, id := range slices.Sorted(maps.Keys(m.containers)) {
		c := m.containers[id]
		if c.running && c.left > 0 {
			if c.left--; c.left == 0 {
				m.ends(c)
			}
		} else if c.due > 0 {
			if c.due--; c.due == 0 {
				c.restarts++
				m.start(c)
			}
		}
	}
}

// ends has a container end by itself, with a failure: its policy decides what the engine does.
func (m *machine) ends(c *fakeContainer) {
	c.running = false
	name, most, _ := strings.Cut(c.policy, ":")
	if n, err := strconv.Atoi(most); name != "no" && (err != nil || c.restarts < n) {
		c.due = m.delay
	}
}

func (m *machine) command(args []string, stdout, stderr io.Writer) error {
	last := args[len(args)-1]
	if args[0] == "inspect" && args[2] == "image" {
		return m.inspectImage(last, stdout)
	}
	if args[0] == "pull" {
		if m.pullable[last] == "" {
			return errors.New("nobody knows that image")
		}
		m.images[last] = m.pullable[last]
		return nil
	}
	if args[0] == "create" {
		return m.create(args, stdout)
	}
	if args[0] == "ps" {
		for _, id := range slices.Sorted(maps.Keys(m.containers)) {
			fmt.Fprintln(stdout, id)
		}
		for id := range m.needed {
			if !m.hidden {
				fmt.Fprintln(stdout, "needs-"+id)
			}
		}
		return nil
	}
	if id, ok := strings.CutPrefix(last, "needs-"); ok {
		return json.NewEncoder(stdout).Encode([]any{map[string]any{"Id": last, "Name": "proxy", "Dependencies": []string{id}}})
	}
	c := m.find(last)
	if args[0] == "rename" {
		c = m.find(args[1])
	}
	if c == nil {
		return errors.New("no such container")
	}
	switch args[0] {
	case "inspect":
		return m.inspect(c, stdout)
	case "start":
		m.start(c)
	case "stop":
		if c.running || m.obeys {
			c.due, c.left = 0, 0
		}
		c.running = false
	case "diff":
		fmt.Fprintln(stdout, "C /etc\nA /data")
		if m.wrote {
			fmt.Fprintln(stdout, "A /etc/seedbank.conf")
		}
	case "rm":
		if c.running && args[1] != "--force" {
			return errors.New("it runs")
		}
		if m.needed[c.id] {
			return fmt.Errorf("container %s has dependent containers which must be removed before it", c.id)
		}
		lost, _ := filepath.Glob(filepath.Join(m.dir, "lost-"+c.id+".json"))
		if c.started && len(lost) == 0 && !m.madeAgain(c) && (c.running || !m.isSpare(c)) {
			m.wrong = append(m.wrong, "a container that ran was removed: "+c.name)
		}
		delete(m.containers, c.id)
	case "rename":
		if other := m.find(last); other != nil {
			return fmt.Errorf("the name %s is taken", last)
		}
		c.name = last
	case "update":
		if m.noUpdate {
			return errors.New("unknown flag")
		}
		if c.policy = strings.TrimPrefix(args[1], "--restart="); c.policy == "no" {
			c.due = 0
		}
	case "logs":
		fmt.Fprintln(stdout, "I can't read this")
	default:
		return fmt.Errorf("unknown command %q", args)
	}
	return nil
}

func (m *machine) inspectImage(name string, stdout io.Writer) error {
	if id, ok := strings.CutPrefix(name, "image-"); ok {
		for known, digest := range m.images {
			if digest == "sha256:"+id {
				name = known
			}
		}
	}
	digest := m.images[name]
	if digest == "" {
		return errors.New("no such image")
	}
	return json.NewEncoder(stdout).Encode([]any{map[string]any{"Id": "image-" + digest[len("sha256:"):], "Digest": digest}})
}

func (m *machine) inspect(c *fakeContainer, stdout io.Writer) error {
	status := map[bool]string{true: "running", false: "exited"}[c.running]
	name, count, _ := strings.Cut(c.policy, ":")
	most, _ := strconv.Atoi(count)
	if !c.started {
		status = "created"
	}
	return json.NewEncoder(stdout).Encode([]any{map[string]any{
		"Id": c.id, "Name": c.name, "FromTheFuture": m.odd && c.labels[labelUpgrade] == "", "ImageName": c.image, "Image": "image-" + m.images[c.image][len("sha256:"):],
		"State":        map[string]any{"Running": c.running, "Status": status, "ExitCode": 3, "StartedAt": fmt.Sprint(c.starts)},
		"Mounts":       []any{map[string]any{"Type": "volume", "Name": "seeds", "Destination": "/data", "RW": true}},
		"Config":       map[string]any{"Labels": c.labels},
		"HostConfig":   map[string]any{"RestartPolicy": map[string]any{"Name": name, "MaximumRetryCount": most}},
		"RestartCount": c.restarts,
	}})
}

// create makes a container as the words say.
func (m *machine) create(args []string, stdout io.Writer) error {
	c := &fakeContainer{policy: "no", labels: map[string]string{}}
	for i := 0; i+1 < len(args); i++ {
		switch args[i] {
		case "--name":
			c.name = args[i+1]
		case "--restart":
			c.policy = args[i+1]
		case "--label":
			key, value, _ := strings.Cut(args[i+1], "=")
			c.labels[key] = value
		case "--volume":
			if args[i+1] != "seeds:/data" {
				return errors.New("another volume")
			}
		}
	}
	if m.find(c.name) != nil {
		return fmt.Errorf("the name %s is taken", c.name)
	}
	if m.forgets {
		delete(c.labels, "shelf")
	}
	if c.policy != "no" && m.runningOld() {
		m.wrong = append(m.wrong, "a container that may be started by itself is made beside one that runs")
	}
	if m.noPolicy {
		c.policy = "no"
	}
	c.image = c.labels[engine.LabelImage]
	if want := "seedbank@" + m.images[c.image]; args[len(args)-1] != want {
		return fmt.Errorf("the image is not pinned: %q", args)
	}
	m.made++
	c.id = fmt.Sprintf("c%d", m.made)
	m.containers[c.id] = c
	fmt.Fprintln(stdout, c.id)
	return nil
}

func (m *machine) runningOld() bool {
	return slices.ContainsFunc(m.running(), func(c *fakeContainer) bool { return c.id == "c0" })
}

// start starts a container, which changes the data.
func (m *machine) start(c *fakeContainer) {
	if c.running {
		return
	}
	for _, other := range m.containers {
		if other.running {
			m.wrong = append(m.wrong, "both run: "+other.name+" when "+c.name+" is started")
		}
	}
	c.running, c.started = true, true
	c.starts++
	if c == m.cycles {
		m.ends(c)
		return
	}
	if c.image == "seedbank:4.1.0" {
		if m.data != oldData {
			m.wrong = append(m.wrong, "4.1.0 is started on "+m.data)
		}
		m.backRan = m.backRan || len(m.kept) > 0
		return
	}
	m.data, c.left = newData, m.lasts
	if m.bad {
		m.data = "ruins"
		m.ends(c)
	}
}

// madeAgain tells whether another container was made to take the place of one.
func (m *machine) madeAgain(c *fakeContainer) bool {
	for _, other := range m.containers {
		if other.labels[labelUpgrade] == c.id && other.image == c.image {
			return true
		}
	}
	return false
}

// isSpare tells whether a container was made to take the place of one that is there yet.
func (m *machine) isSpare(c *fakeContainer) bool {
	of := m.containers[c.labels[labelUpgrade]]
	return of != nil && of.image == c.image
}

// upgrader gives what works on the machine.
func (m *machine) upgrader(dir string) (*Upgrader, *strings.Builder) {
	said := &strings.Builder{}
	m.dir = dir
	return &Upgrader{
		ground: fakeGround{m},
		Screen: screen.New(io.Discard, said),
		Folder: func() (string, error) { return dir, nil },
		Engine: func(program string) *engine.Engine { return engine.NewWith(program, m) },
		Open: func(ctx context.Context, r *Record) (Data, error) {
			if r.Repository != "/mnt/share/kist" {
				return nil, fmt.Errorf("repository %q", r.Repository)
			}
			return fakeData{m}, nil
		},
		Every: time.Millisecond,
	}, said
}

// try runs something as a process would, and tells whether it came to its end.
func (m *machine) try(do func()) (ended bool) {
	defer func() {
		if r := recover(); r != nil {
			if _, ok := r.(killed); !ok {
				panic(r)
			}
			ended = false
		}
	}()
	do()
	return true
}

// upgrade upgrades seedbank to 4.2.0.
func (m *machine) upgrade(ctx context.Context, u *Upgrader) (*Outcome, error) {
	e := engine.NewWith("engine", m)
	c, err := e.Inspect(ctx, "seedbank")
	if err != nil {
		return &Outcome{Outcome: Unchanged}, err
	}
	image, err := e.Image(ctx, c.ImageName)
	if err != nil {
		return &Outcome{Outcome: Unchanged}, err
	}
	return u.Upgrade(ctx, &Request{Engine: e, Container: c, Image: image, To: ":4.2.0", Repository: "/mnt/share/kist"}, fakeData{m})
}

// running gives the containers that run.
func (m *machine) running() (all []*fakeContainer) {
	for _, c := range m.containers {
		if c.running {
			all = append(all, c)
		}
	}
	return all
}

// mustBeWhole: exactly one version runs, under the service's name, on its own data.
func (m *machine) mustBeWhole(t *testing.T) {
	t.Helper()
	for range 50 { // nothing that stands may come up later
		m.tick()
	}
	for _, what := range m.wrong {
		t.Error(what)
	}
	run := m.running()
	if len(run) != 1 {
		t.Errorf("%d containers run", len(run))
		return
	}
	c := run[0]
	want := map[string]string{"seedbank:4.1.0": oldData, "seedbank:4.2.0": newData}[c.image]
	if c.name != "seedbank" || m.data != want || c.policy != m.policy && !m.anyPolicy {
		t.Errorf("%s runs as %s on %s, with policy %s", c.image, c.name, m.data, c.policy)
	}
	if len(m.held) > 0 {
		t.Error("a capture is held yet")
	}
	for _, c := range m.containers {
		if !c.running && startsWithMachine(c.policy) && !m.anyPolicy {
			t.Errorf("%s is set aside with policy %s", c.name, c.policy)
		}
		if strings.Contains(c.name, "-next-") || strings.Contains(c.name, "-again-") {
			t.Errorf("%s was left", c.name)
		}
	}
	for _, data := range m.kept {
		if data == oldData {
			t.Error("the old data was set aside")
		}
	}
}

func names(m *machine) (all []string) {
	for _, c := range m.containers {
		all = append(all, c.name)
	}
	slices.Sort(all)
	return all
}
