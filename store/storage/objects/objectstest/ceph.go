// Package objectstest starts an object store that others made, for tests.
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

// Ceph is a small Ceph that testdata/ceph/run keeps up. Its methods are for one goroutine.
type Ceph struct {
	Endpoint             string // http://127.0.0.1:PORT
	AccessKey, SecretKey string // of a user that may make buckets

	t        testing.TB
	commands io.Writer
	answers  *bufio.Scanner
}

// StartCeph starts one, until the test ends, by the script at a path. Its packages lie where KIST_TEST_CEPH says, or in the user's cache;
// they are fetched where KIST_TEST_REQUIRE=all, and else the test is skipped without them. It takes some 25 seconds.
func StartCeph(t testing.TB, script string) *Ceph {
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
	ports := freePorts(t, 3)
	run := exec.Command(script, append([]string{cache}, ports...)...)
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
			t.Error("ending Ceph: ", err)
		}
	})
	c := &Ceph{t: t, commands: in, answers: bufio.NewScanner(out), Endpoint: "http://127.0.0.1:" + ports[0]}
	if !c.answers.Scan() {
		t.Fatal("Ceph does not come up")
	}
	if _, err := fmt.Sscanf(c.answers.Text(), "up %s %s", &c.AccessKey, &c.SecretKey); err != nil {
		t.Fatal(err)
	}
	return c
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
func (c *Ceph) Do(command string) {
	fmt.Fprintln(c.commands, command)
	if !c.answers.Scan() || c.answers.Text() != "done" {
		c.t.Errorf("%s: %q", command, c.answers.Text())
	}
}
