package main

import (
	"bufio"
	"bytes"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
)

// TestStartIsLight: packages that prepare tables whenever a program with them starts would slow down every command, the
// completion of command lines included. Memory is counted, which is the same on every machine; of the test's
// own program, which has more packages than kist.
func TestStartIsLight(t *testing.T) {
	const mostEach, mostAll = 2 << 20, 6 << 20
	c := exec.Command(os.Args[0], "-test.run=^$")
	c.Env = append(os.Environ(), "GODEBUG=inittrace=1")
	var trace bytes.Buffer
	c.Stderr = &trace
	if err := c.Run(); err != nil {
		t.Fatalf("%v: %s", err, trace.Bytes())
	}
	all, packages := 0, 0
	for lines := bufio.NewScanner(&trace); lines.Scan(); {
		fields := strings.Fields(lines.Text()) // init NAME @T ms, T ms clock, N bytes, N allocs
		if len(fields) != 11 || fields[0] != "init" {
			continue
		}
		n, err := strconv.Atoi(fields[7])
		if err != nil {
			t.Fatalf("%q: %v", lines.Text(), err)
		}
		packages++
		all += n
		if n > mostEach {
			t.Errorf("%s takes %d bytes when the program starts", fields[1], n)
		}
	}
	if packages < 5 || all > mostAll {
		t.Errorf("%d packages take %d bytes when the program starts", packages, all)
	}
}
