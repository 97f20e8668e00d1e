// Package objectstest starts object stores that others made, for tests, and has a store in memory and a proxy.
package objectstest

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// Engine is an object store that others made, which a script keeps up. Its methods are for one goroutine.
type Engine struct {
	Endpoint             string // http://127.0.0.1:PORT
	Second               string // the same store by another gateway; "" where there is none
	AccessKey, SecretKey string // of a user that may make buckets

	t        testing.TB
	commands io.Writer
	answers  *bufio.Scanner
}

// StartCeph starts a small Ceph, until the test ends, by the script at a path, testdata/ceph/run. Its packages lie where KIST_TEST_CEPH says, or
// in the user's cache; they are fetched where KIST_TEST_REQUIRE=all, and else the test is skipped without them. It takes some 25 seconds.
func StartCeph(t testing.TB, script string) *Engine {
	t.Helper()
	if testing.Short() {
		t.Skip("starts an object store")
	}
	required := os.Getenv("KIST_TEST_REQUIRE") == "all"
	cache := os.Getenv("KIST_TEST_CEPH")
	if user, err := os.UserCacheDir(); err == nil && cache == "" {
		cache = filepath.Join(user, "kist-test-ceph")
	} else if cache == "" {
		cache = filepath.Join(os.TempDir(), "kist-test-ceph")
	}
	if _, err := os.Stat(filepath.Join(cache, "complete")); err != nil && !required {
		t.Skipf("no packages of Ceph in %s: %v", cache, err)
	}
	return start(t, script, cache, 3)
}

// StartSeaweed starts a small SeaweedFS with two gateways, until the test ends, by the script at a path, testdata/seaweed/run. It is for long
// runs: without KIST_TEST_SEAWEED, the path of its program, the test is skipped. It takes some 15 seconds.
func StartSeaweed(t testing.TB, script string) *Engine {
	t.Helper()
	program := os.Getenv("KIST_TEST_SEAWEED")
	if program == "" {
		t.Skip("a long run: KIST_TEST_SEAWEED is the path of the program weed; testdata/seaweed/run says how to build it")
	}
	return start(t, script, program, 14)
}

// start runs a script until the test ends, with so many ports: the first one is the endpoint's.
func start(t testing.TB, script, argument string, n int) *Engine {
	t.Helper()
	ports := freePorts(t, n)
	run := exec.Command(script, append([]string{argument}, ports...)...)
	run.Stderr = t.Output()
	in, err := run.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := run.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := run.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { // where this process ends otherwise, the end of its input ends it as well
		in.Close()
		if err := run.Wait(); err != nil {
			t.Errorf("ending %s: %v", script, err)
		}
	})
	e := &Engine{t: t, commands: in, answers: bufio.NewScanner(out), Endpoint: "http://127.0.0.1:" + ports[0]}
	if !e.answers.Scan() {
		t.Fatalf("%s does not come up", script)
	}
	second := ""
	if n, err := fmt.Sscanf(e.answers.Text(), "up %s %s %s", &e.AccessKey, &e.SecretKey, &second); n < 2 {
		t.Fatal(err)
	}
	if second != "" {
		e.Second = "http://127.0.0.1:" + second
	}
	return e
}

func freePorts(t testing.TB, n int) (ports []string) {
	t.Helper()
	for range n {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		_, port, _ := net.SplitHostPort(l.Addr().String())
		ports = append(ports, port)
	}
	return ports
}

// Do has the script do something, as kill rgw.
func (e *Engine) Do(command string) {
	e.t.Helper()
	fmt.Fprintln(e.commands, command)
	if !e.answers.Scan() || e.answers.Text() != "done" {
		e.t.Errorf("%s: %q", command, e.answers.Text())
	}
}
