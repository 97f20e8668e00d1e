package engine

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
	"time"
)

// script answers commands by their first words.
type script map[string]string

func (s script) Run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) error {
	line := strings.Join(args, " ")
	for words, answer := range s {
		if strings.HasPrefix(line, words) {
			if text, ok := strings.CutPrefix(answer, "fail: "); ok {
				fmt.Fprintln(stderr, text)
				return errors.New("exit status 125")
			}
			_, err := io.WriteString(stdout, answer)
			return err
		}
	}
	return fmt.Errorf("unexpected command %q", line)
}

// TestInspect reads the forms that engines print.
func TestInspect(t *testing.T) {
	for name, test := range map[string]struct {
		answer string
		want   Container
	}{
		"full": {
			`[{"Id":"ab","Name":"seedbank","State":{"Running":true,"Status":"running"},"Image":"8b","ImageName":"localhost/seedbank:4.1.0",
			"ImageDigest":"sha256:11","Config":{"StopTimeout":20,"Entrypoint":"/svc","StopSignal":15,"Labels":{"a":"b"}},
			"Mounts":[{"Type":"volume","Name":"d","Source":"/s","Destination":"/data","RW":true,"Options":["x"]}]}]`,
			Container{ID: "ab", Name: "seedbank", Running: true, ImageName: "localhost/seedbank:4.1.0", ImageID: "8b", ImageDigest: "sha256:11",
				StopTimeout: 20 * time.Second},
		},
		"slash before the name, image in Config, no digest": {
			`[{"Id":"ab","Name":"/seedbank","State":{"Status":"exited"},"Image":"sha256:8b","Config":{"Image":"seedbank:4.1.0","Entrypoint":["/svc"],"StopSignal":"SIGTERM"}}]`,
			Container{ID: "ab", Name: "seedbank", ImageName: "seedbank:4.1.0", ImageID: "sha256:8b", StopTimeout: 10 * time.Second},
		},
		"stopping": {
			`[{"Id":"ab","State":{"Status":"stopping"}}]`,
			Container{ID: "ab", Name: "asked", Running: true, Stopping: true, StopTimeout: 10 * time.Second},
		},
		"paused": {
			`[{"Id":"ab","State":{"Paused":true,"Status":"paused"}}]`,
			Container{ID: "ab", Name: "asked", Running: true, StopTimeout: 10 * time.Second},
		},
	} {
		c, err := NewWith("engine", script{"inspect --type container -- asked": test.answer}).Inspect(t.Context(), "asked")
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		got := Container{ID: c.ID, Name: c.Name, Running: c.Running, Stopping: c.Stopping, ImageName: c.ImageName, ImageID: c.ImageID, ImageDigest: c.ImageDigest, StopTimeout: c.StopTimeout}
		if fmt.Sprint(got) != fmt.Sprint(test.want) {
			t.Errorf("%s: %+v, not %+v", name, got, test.want)
		}
	}
}

func TestInspectFails(t *testing.T) {
	for answer, want := range map[string]string{
		"":                                      "no JSON array",
		"{}":                                    "no JSON array",
		"[]":                                    "not found",
		"[3]":                                   "what the engine says of it",
		"[{}]":                                  "does not say its id",
		`[{"Id":"a","Config":3}]`:               "its configuration",
		"fail: Error: no such container nosuch": "not found",
		"fail: cannot connect":                  "exit status 125: cannot connect",
		"[\"" + strings.Repeat("x", maxOutput):  "more than 16777216 bytes",
	} {
		_, err := NewWith("engine", script{"inspect": answer}).Inspect(t.Context(), "nosuch")
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.40q: %v, not %q", answer, err, want)
		}
		if errors.Is(err, ErrNotFound) != (want == "not found") {
			t.Errorf("%.40q: %v", answer, err)
		}
		var failed *Error
		if strings.HasPrefix(answer, "fail") && (!errors.As(err, &failed) || failed.Command != "engine inspect --type container -- nosuch") {
			t.Errorf("%.40q: %v does not name its command", answer, err)
		}
	}
}

func FuzzInspect(f *testing.F) {
	f.Add(`[{"Id":"ab","Config":{"Env":["A=b"]},"HostConfig":{"PortBindings":{"80/tcp":[{"HostPort":"8"}]}},"Mounts":[{}]}]`)
	f.Add(`[{"Id":"ab","Config":{"Env":"A=b","Entrypoint":["a","b"],"Cmd":null},"HostConfig":[],"NetworkSettings":null}]`)
	f.Fuzz(func(t *testing.T, answer string) {
		e := NewWith("engine", script{"inspect": answer})
		c, err := e.Inspect(t.Context(), "x")
		if err != nil {
			return
		}
		image, _ := e.Image(t.Context(), "x")
		b, err := json.Marshal(NewLaunch(c, image))
		if err != nil {
			t.Fatal(err)
		}
		l, err := ParseLaunch(string(b))
		if err != nil {
			t.Fatal(err)
		}
		MaskWords(l.Command())
		MaskJSON(string(b))
	})
}

// slow never answers.
type slow struct{}

func (slow) Run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) error {
	<-ctx.Done()
	return errors.New("killed")
}

func TestNoAnswer(t *testing.T) {
	e := NewWith("engine", slow{})
	e.wait = time.Millisecond
	for name, do := range map[string]func() error{
		"inspect": func() error { _, err := e.Inspect(t.Context(), "x"); return err },
		"stop":    func() error { return e.Stop(t.Context(), &Container{ID: "x"}) },
		"start":   func() error { return e.Start(t.Context(), "x") },
		"in":      func() error { return e.CopyIn(t.Context(), "x", "/data", strings.NewReader("")) },
		"out": func() error {
			r := e.CopyOut(t.Context(), "x", "/data")
			defer r.Close()
			_, err := io.ReadAll(r)
			return err
		},
	} {
		if err := do(); err == nil || !strings.Contains(err.Error(), "1ms") {
			t.Errorf("%s: %v", name, err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := e.Start(ctx, "x"); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}

// TestCopyOutClosed: closing the stream ends the command.
func TestCopyOutClosed(t *testing.T) {
	r := NewWith("engine", slow{}).CopyOut(t.Context(), "x", "/data/")
	if err := r.Close(); err != nil {
		t.Error(err)
	}
}

// TestCopyFails: a stream that was cut short is not taken for a whole one.
func TestCopyFails(t *testing.T) {
	r := NewWith("engine", script{"cp x:/data/. -": "fail: disk on fire"}).CopyOut(t.Context(), "x", "/data/")
	defer r.Close()
	if _, err := io.ReadAll(r); err == nil || !strings.Contains(err.Error(), "disk on fire") {
		t.Error(err)
	}
}

func TestProgramMissing(t *testing.T) {
	_, err := New("no-such-program-here").Inspect(t.Context(), "x")
	if err == nil || !strings.Contains(err.Error(), "--engine PROGRAM or set KIST_ENGINE") {
		t.Error(err)
	}
}

// TestProcess runs a real program.
func TestProcess(t *testing.T) {
	var out bytes.Buffer
	if err := New("cat").stream(t.Context(), nil, strings.NewReader("bean"), &out); err != nil || out.String() != "bean" {
		t.Skip(err, out.String()) // not on this system
	}
	if err := New("cat").Start(t.Context(), "x"); err == nil || !strings.Contains(err.Error(), "container engine: cat start x: exit status 1: cat: start") {
		t.Error(err)
	}
}

func TestPinned(t *testing.T) {
	for image, want := range map[string]string{
		"localhost/seedbank:4.1.0":      "localhost/seedbank@sha256:1",
		"localhost:5000/seedbank":       "localhost:5000/seedbank@sha256:1",
		"localhost:5000/seedbank:4.1.0": "localhost:5000/seedbank@sha256:1",
		"seedbank:4.1.0@sha256:0":       "seedbank@sha256:1",
		"seedbank":                      "seedbank@sha256:1",
	} {
		if got := (&Launch{Image: image, Digest: "sha256:1"}).Pinned(); got != want {
			t.Errorf("%s: %s, not %s", image, got, want)
		}
	}
	if got := (&Launch{Image: "seedbank:4"}).Pinned(); got != "seedbank:4" {
		t.Error(got)
	}
	for image, want := range map[string]string{"a:5000/b": "", "a:5000/b:c": "c", "b": "", "b@sha256:1": "", "b:c@sha256:1": "c"} {
		if got := Tag(image); got != want {
			t.Errorf("%s: %q, not %q", image, got, want)
		}
	}
}

func TestCommand(t *testing.T) {
	l := &Launch{
		Name: "seedbank", Image: "localhost/seedbank:4.1.0", Digest: "sha256:11",
		Mounts: []Mount{
			{Type: "volume", Name: "seeds", Source: "/v", Destination: "/data", RW: true},
			{Type: "volume", Name: strings.Repeat("ab", 32), Source: "/w", Destination: "/cache", RW: true},
			{Type: "bind", Source: "/srv/my config", Destination: "/config"},
			{Type: "tmpfs", Destination: "/tmp", RW: true},
		},
		Config: json.RawMessage(`{"Hostname":"hazel","User":"1000:1000","WorkingDir":"/","StopSignal":15,"StopTimeout":60,
			"Env":["PATH=/bin","TZ=UTC","MODE=image","PEER_TOKEN=abc"],"Labels":{"site":"mill","made":"by image"},
			"Entrypoint":["/svc","serve"],"Cmd":["--port","8420"]}`),
		HostConfig: json.RawMessage(`{"PortBindings":{"8420/tcp":[{"HostIp":"127.0.0.1","HostPort":"8420"}],"53/udp":[{"HostIp":"","HostPort":"53"}],"80/tcp":[{"HostIp":"::1","HostPort":"80"}]},
			"RestartPolicy":{"Name":"on-failure","MaximumRetryCount":3},"NetworkMode":"bridge","Memory":1048576,"NanoCpus":1500000000,
			"CapAdd":["NET_ADMIN"],"ReadonlyRootfs":true,"Tmpfs":{"/run":"rw"},"Devices":[{"PathOnHost":"/dev/fuse","PathInContainer":"/dev/fuse"}],
			"Ulimits":[{"Name":"RLIMIT_NOFILE","Soft":1,"Hard":2}],"ExtraHosts":["mill:10.0.0.1"],"Binds":3}`),
		Networks:    json.RawMessage(`{"seednet":{}}`),
		ImageConfig: json.RawMessage(`{"Env":["PATH=/bin","MODE=image"],"Labels":{"made":"by image"},"Entrypoint":["/svc"],"Cmd":["--port","8420"]}`),
	}
	want := []string{"create", "--name", "seedbank",
		"--hostname", "hazel", "--user", "1000:1000", "--stop-timeout", "60",
		"--env", "TZ=UTC", "--env", "PEER_TOKEN=abc", "--label", "site=mill", "--label", "kist.image=localhost/seedbank:4.1.0",
		"--volume", "seeds:/data", "--volume", "/cache", "--volume", "/srv/my config:/config:ro", "--tmpfs", "/run:rw",
		"--publish", "53:53/udp", "--publish", "[::1]:80:80", "--publish", "127.0.0.1:8420:8420",
		"--network", "seednet", "--add-host", "mill:10.0.0.1",
		"--read-only", "--cap-add", "NET_ADMIN", "--device", "/dev/fuse:/dev/fuse",
		"--restart", "on-failure:3", "--memory", "1048576", "--cpus", "1.5", "--ulimit", "nofile=1:2",
		"--entrypoint", "/svc", "localhost/seedbank@sha256:11", "serve", "--port", "8420"}
	if got := l.Command(); !slices.Equal(got, want) {
		t.Errorf("\n%q, not\n%q", got, want)
	}
	same := &Launch{Name: "s", Image: "i", Config: json.RawMessage(`{"Entrypoint":"/svc a","Cmd":["x"]}`), ImageConfig: json.RawMessage(`{"Entrypoint":["/svc","a"],"Cmd":["x"]}`)}
	if got := strings.Join(same.Command(), " "); got != "create --name s i" {
		t.Error(got)
	}
}
