package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// serverData is the data folder of a server.
type serverData struct {
	server
	data, sockets string
	scale         int // {size}
	rand          *rand.Rand
	account
}

// newServerData makes the data folder dir/data of a server that does not run.
func newServerData(ctx context.Context, s server, dir string, size int64) (*serverData, error) {
	d := &serverData{
		server: s, data: filepath.Join(dir, "data"), sockets: filepath.Join(dir, "run"),
		scale: int(max(1, size/s.unit)), rand: newRand(s.title),
	}
	if s.user != "" && os.Geteuid() == 0 {
		var err error
		if d.account, err = findAccount(s.user); err != nil {
			return nil, err
		}
		// That user is to get through to the data.
		if err := os.Chmod(filepath.Dir(dir), 0o711); err != nil {
			return nil, err
		}
	}
	for _, folder := range []string{dir, d.data, d.sockets} {
		if err := d.makeFolder(folder); err != nil {
			return nil, err
		}
	}
	if s.setup == nil {
		return d, nil
	}
	_, err := runCommand(ctx, d.command(s.setup, d.data))
	return d, err
}

func (d *serverData) makeFolder(path string) error {
	if err := os.Mkdir(path, 0o700); err != nil || d.process == nil {
		return err
	}
	return os.Chown(path, d.uid, d.gid)
}

// command gives a command of the table, for a data folder.
func (d *serverData) command(args []string, data string) command {
	fillIn := strings.NewReplacer("{data}", data, "{run}", d.sockets, "{size}", strconv.Itoa(d.scale))
	c := command{dir: d.sockets, user: d.process}
	for i, a := range args {
		if i == 0 && d.path != "" {
			a = filepath.Join(d.path, a)
		}
		c.args = append(c.args, fillIn.Replace(a))
	}
	return c
}

func (d *serverData) volume() string { return d.data }

func (d *serverData) change(ctx context.Context, n int) error {
	args := d.alter
	if n == 1 {
		args = d.load
	}
	c := d.command(args, d.data)
	if d.feed != nil {
		input, err := d.writeInput(n)
		if err != nil {
			return err
		}
		defer os.Remove(input.Name())
		defer input.Close()
		c.in = input
	}
	return d.whileRunning(ctx, d.data, func() error {
		_, err := runCommand(ctx, c)
		return err
	})
}

// writeInput gives a file with what makes state n.
func (d *serverData) writeInput(n int) (*os.File, error) {
	path := filepath.Join(d.sockets, "input")
	err := writeFile(path, func(w io.Writer) error { return d.feed(feed{w, d.rand, n, int64(d.scale) * d.unit}) })
	if err != nil {
		return nil, err
	}
	return os.Open(path)
}

// stopTime is what a server gets to stop, and to start.
const stopTime = 2 * time.Minute

// whileRunning runs f while the server runs on a data folder.
func (d *serverData) whileRunning(ctx context.Context, data string, f func() error) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	c := d.command(d.run, data)
	p := newProcess(ctx, c)
	p.cmd.Cancel = func() error { return p.cmd.Process.Signal(os.Interrupt) }
	p.cmd.WaitDelay = stopTime
	if err := p.cmd.Start(); err != nil {
		return fmt.Errorf("starting the %s: %w", d.title, err)
	}
	err := d.awaitReady(ctx, data)
	if err == nil {
		err = f()
	}
	cancel()
	if stopped := p.wait(); stopped != nil && !errors.Is(stopped, context.Canceled) {
		err = errors.Join(err, stopped)
	}
	return err
}

// awaitReady asks the server ten times a second whether it answers.
func (d *serverData) awaitReady(ctx context.Context, data string) error {
	ctx, cancel := context.WithTimeout(ctx, stopTime)
	defer cancel()
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	for {
		_, err := runCommand(ctx, d.command(d.ready, data))
		if err == nil {
			return nil
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return fmt.Errorf("the %s does not answer: %w", d.title, err)
		}
	}
}

func (d *serverData) prove(ctx context.Context, copy string, n int) error {
	if _, err := runCommand(ctx, d.command(d.whole, copy)); err != nil {
		return err
	}
	return d.whileRunning(ctx, copy, func() error {
		b, err := output(ctx, d.command(d.ask, copy))
		if got := strings.TrimSpace(string(b)); err == nil && got != d.want(n) {
			err = fmt.Errorf("the %s on the restored folder says %.200q, not %q", d.title, got, d.want(n))
		}
		return err
	})
}

// feed is where and what a server's input is made of.
type feed struct {
	w     io.Writer
	rand  *rand.Rand
	state int
	size  int64 // of all data
}

// Bytes of a value, about.
const settingBytes = 1 << 10

// writeSettings writes the commands that make a state of the key-value server:
// at first all keys; then one in fifty is added, and one in a hundred gets a new
// value. Each is an array of bulk strings (RESP, the server's own protocol).
func writeSettings(f feed) error {
	w := bufio.NewWriter(f.w)
	keys := int(max(100, f.size/settingBytes))
	added := keys / 50
	from, to := 0, keys
	if f.state > 1 {
		from, to = keys+(f.state-2)*added, keys+(f.state-1)*added
		for range keys / 100 {
			writeSetting(w, settingName(f.rand.IntN(from)), setting(f.rand))
		}
	}
	for k := from; k < to; k++ {
		writeSetting(w, settingName(k), setting(f.rand))
	}
	writeSetting(w, "state", strconv.AppendInt(nil, int64(f.state), 10))
	return w.Flush()
}

func settingName(k int) string { return "accession:" + strconv.Itoa(k) }

func writeSetting(w io.Writer, key string, value []byte) {
	fmt.Fprintf(w, "*3\r\n$3\r\nSET\r\n$%d\r\n%s\r\n$%d\r\n%s\r\n", len(key), key, len(value), value)
}

// setting gives a value: half text, half what no compressor shortens.
func setting(r *rand.Rand) []byte {
	b := appendSentence(nil, r, 1+r.IntN(settingBytes/len("heirloom")))
	n := len(b)
	b = append(b, make([]byte, 1+r.IntN(settingBytes))...)
	fill(r, b[n:])
	return b
}
