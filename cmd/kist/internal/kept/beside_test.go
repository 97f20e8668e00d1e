package kept

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strings"
	"sync"
	"testing"
)

// TestBookBeside: nothing that one process notes is lost where others take out what is gone.
func TestBookBeside(t *testing.T) {
	const folder, nth = "KIST_TEST_BOOK", "KIST_TEST_BOOK_NTH"
	const processes, notes = 3, 30
	if dir := os.Getenv(folder); dir != "" {
		b := Book{Folder: dir}
		for i := range notes {
			if err := b.NoteSingle(fmt.Sprintf("/srv/stays-%s-%d", os.Getenv(nth), i)); err != nil {
				t.Fatal(err)
			}
		}
		return
	}
	b := Book{Folder: filepath.Join(t.TempDir(), "state")}
	gone := []line{{Single: "/srv/gone"}}
	if err := b.add(gone); err != nil {
		t.Fatal(err)
	}
	if unlock, err := b.lock(); err != nil {
		t.Skip(err)
	} else if err := unlock(); err != nil {
		t.Fatal(err)
	}
	var at sync.WaitGroup
	done := make(chan struct{})
	for i := range processes {
		at.Go(func() {
			c := exec.Command(os.Args[0], "-test.run=^TestBookBeside$")
			c.Env = append(os.Environ(), folder+"="+b.Folder, fmt.Sprintf("%s=%d", nth, i))
			if out, err := c.CombinedOutput(); err != nil {
				t.Errorf("%v: %s", err, out)
			}
		})
	}
	go func() { at.Wait(); close(done) }()
	for turns := 0; ; turns++ {
		if err := b.forget(gone); err != nil {
			t.Fatal(err)
		}
		if err := b.add(gone); err != nil {
			t.Fatal(err)
		}
		select {
		case <-done:
			lines, odd, err := b.read()
			if err != nil || len(odd) > 0 || len(without(lines, gone)) != processes*notes {
				t.Errorf("after %d turns: %d notes of %d, odd ones at %v, %v", turns, len(lines), processes*notes, odd, err)
			}
			return
		default:
		}
	}
}

// TestOddLines are told, with their numbers; what is noted behind half a line begins one of its own.
func TestOddLines(t *testing.T) {
	var told []string
	b := Book{Folder: t.TempDir()}
	b.Odd = func(file string, lines []int) { told = append(told, fmt.Sprint(filepath.Base(file), lines)) }
	if err := os.WriteFile(b.path(), []byte(`{"single":"/srv/a"}`+"\n\nnothing\n"+`{"single":"/srv/b"}`+"\n"+`{"target":"/sr`), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := b.NoteSingle("/srv/c"); err != nil {
		t.Fatal(err)
	}
	lines, odd, err := b.read()
	if err != nil || len(lines) != 3 || !reflect.DeepEqual(odd, []int{3, 5}) {
		t.Errorf("%v, odd ones at %v, %v", lines, odd, err)
	}
	if _, err := b.Find(); err != nil || strings.Join(told, ", ") != "set-aside[3 5]" {
		t.Errorf("told: %q, %v", told, err)
	}
}
