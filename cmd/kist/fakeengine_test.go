//go:build unix

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

// fakeEngine stands for a container engine's program. In the folder
// FAKE_ENGINE, NAME.json is what it says of a container or an image, without
// its state; a container runs while NAME.running is there, and
// is about to stop while NAME.stopping is; NAME.files is its
// root, for copies; calls lists the commands. fail-WORD makes a command fail,
// kill-WORD makes it kill the program that called it; die-before and die-behind hold the
// number of a call, before or behind which it does that. While ends is there, what is started
// ends at once.
func fakeEngine() {
	f := &fake{os.Getenv("FAKE_ENGINE")}
	if err := f.run(os.Args[1:], os.Stdin, os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "Error:", err)
		os.Exit(125)
	}
}

type fake struct{ dir string }

// Run implements engine.Runner without a process.
func (f *fake) Run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	return f.run(args, stdin, stdout)
}

func (f *fake) run(args []string, stdin io.Reader, stdout io.Writer) error {
	calls, err := os.OpenFile(f.path("calls"), os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	fmt.Fprintln(calls, strings.Join(args, " "))
	calls.Close()
	if f.isCall("die-before") {
		return syscall.Kill(os.Getppid(), syscall.SIGKILL)
	}
	if f.isCall("die-behind") {
		defer syscall.Kill(os.Getppid(), syscall.SIGKILL)
	}
	if f.has("kill-" + args[0]) {
		os.Remove(f.path("kill-" + args[0]))
		return syscall.Kill(os.Getppid(), syscall.SIGKILL)
	}
	if f.has("fail-" + args[0]) {
		return errors.New("out of order")
	}
	switch args[0] {
	case "ps":
		if args[1] == "--all" {
			all, err := filepath.Glob(f.path("*.json"))
			for _, path := range all {
				if name := strings.TrimSuffix(filepath.Base(path), ".json"); !strings.Contains(name, ":") { // else it is an image
					fmt.Fprintln(stdout, name)
				}
			}
			return err
		}
		running, err := filepath.Glob(f.path("*.running"))
		for _, path := range running {
			fmt.Fprintln(stdout, f.idOf(strings.TrimSuffix(filepath.Base(path), ".running")))
		}
		return err
	case "inspect":
		if args[2] == "volume" {
			if name := args[len(args)-1]; !f.has(name + ".volume") {
				return fmt.Errorf("no such volume %s", name)
			}
			_, err := fmt.Fprintln(stdout, "[{}]")
			return err
		}
		return f.inspect(args[len(args)-1], stdout)
	case "stop":
		os.Remove(f.path(f.nameOf(args[1]) + ".stopping"))
		return os.Remove(f.path(f.nameOf(args[1]) + ".running"))
	case "start":
		if f.has(f.nameOf(args[1]) + ".stopping") {
			return errors.New("it is stopping")
		}
		if f.has("ends") {
			return nil
		}
		return os.WriteFile(f.path(f.nameOf(args[1])+".running"), nil, 0o600)
	case "rename":
		return f.rename(f.nameOf(args[1]), args[2])
	case "create":
		return f.create(args[1:], stdout)
	case "rm":
		os.Remove(f.path(f.nameOf(args[len(args)-1]) + ".running"))
		return os.Remove(f.path(f.nameOf(args[len(args)-1]) + ".json"))
	case "logs":
		fmt.Fprintln(stdout, "I can't read this")
		return nil
	case "cp":
		return f.copy(args[1], args[2], stdin, stdout)
	}
	return fmt.Errorf("unknown command %q", args[0])
}

// isCall tells whether this is the call whose number is in a file, once.
func (f *fake) isCall(name string) bool {
	number, err := os.ReadFile(f.path(name))
	if err != nil {
		return false
	}
	calls, err := os.ReadFile(f.path("calls"))
	if err != nil || strconv.Itoa(bytes.Count(calls, []byte("\n"))) != string(number) {
		return false
	}
	return os.Remove(f.path(name)) == nil
}

func (f *fake) path(name string) string { return filepath.Join(f.dir, filepath.Base(name)) }

func (f *fake) has(name string) bool {
	_, err := os.Stat(f.path(name))
	return err == nil
}

// nameOf gives the name of a container by its id: id-NAME, unless NAME.id has it.
func (f *fake) nameOf(id string) string {
	renamed, _ := filepath.Glob(f.path("*.id"))
	for _, path := range renamed {
		if b, err := os.ReadFile(path); err == nil && string(b) == id {
			return strings.TrimSuffix(filepath.Base(path), ".id")
		}
	}
	return strings.TrimPrefix(id, "id-")
}

func (f *fake) idOf(name string) string {
	if b, err := os.ReadFile(f.path(name + ".id")); err == nil {
		return string(b)
	}
	return "id-" + name
}

// rename gives a container another name; its id stays.
func (f *fake) rename(name, to string) error {
	if f.has(to + ".json") {
		return fmt.Errorf("the name %s is in use", to)
	}
	id := f.idOf(name)
	os.Remove(f.path(name + ".id"))
	if f.has(name + ".running") {
		if err := os.Rename(f.path(name+".running"), f.path(to+".running")); err != nil {
			return err
		}
	}
	return errors.Join(os.Rename(f.path(name+".json"), f.path(to+".json")), os.WriteFile(f.path(to+".id"), []byte(id), 0o600))
}

func (f *fake) inspect(name string, stdout io.Writer) error {
	name = f.nameOf(name)
	b, err := os.ReadFile(f.path(name + ".json"))
	if err != nil {
		return fmt.Errorf("no such container %s", name)
	}
	b = bytes.ReplaceAll(b, []byte("$WORK"), []byte(filepath.Dir(f.dir)))
	var about map[string]any
	if err := json.Unmarshal(b, &about); err != nil {
		return err
	}
	about["Id"], about["Name"] = f.idOf(name), name
	about["State"] = map[string]any{"Running": f.has(name + ".running")}
	if f.has(name + ".stopping") {
		about["State"] = map[string]any{"Status": "stopping"}
	}
	if f.has(name + ".paused") {
		about["State"] = map[string]any{"Status": "paused", "Paused": true}
	}
	return json.NewEncoder(stdout).Encode([]any{about})
}

// create makes a container with what --name, --volume and --label say.
func (f *fake) create(args []string, stdout io.Writer) error {
	type mount struct {
		Type, Name, Source, Destination string
		RW                              bool
	}
	name, labels, mounts := "", map[string]string{}, []mount{}
	for i, arg := range args {
		switch arg {
		case "--name":
			name = args[i+1]
		case "--label":
			key, value, _ := strings.Cut(args[i+1], "=")
			labels[key] = value
		case "--volume":
			from, to, _ := strings.Cut(args[i+1], ":")
			m := mount{"volume", from, f.path(from + ".volume"), to, true}
			if filepath.IsAbs(from) {
				m.Type, m.Source = "bind", from
			}
			if err := os.MkdirAll(m.Source, 0o700); err != nil {
				return err
			}
			mounts = append(mounts, m)
		}
	}
	if f.has(name + ".json") {
		return fmt.Errorf("the name %s is in use", name)
	}
	image := args[len(args)-1]
	_, digest, _ := strings.Cut(image, "@")
	b, err := json.Marshal(map[string]any{"Image": "image", "ImageName": image, "ImageDigest": digest, "Config": map[string]any{"Labels": labels}, "Mounts": mounts})
	if err != nil {
		return err
	}
	fmt.Fprintln(stdout, "id-"+name)
	return os.WriteFile(f.path(name+".json"), b, 0o600)
}

// copy runs tar on the container's files.
func (f *fake) copy(from, to string, stdin io.Reader, stdout io.Writer) error {
	place, args := from, []string{"-c", "."}
	if from == "-" {
		place, args = to, []string{"-x"}
	}
	id, path, _ := strings.Cut(place, ":")
	cmd := exec.Command("tar", append([]string{"-C", filepath.Join(f.path(f.nameOf(id)+".files"), path)}, args...)...)
	cmd.Stdin, cmd.Stdout, cmd.Stderr = stdin, stdout, os.Stderr
	return cmd.Run()
}
