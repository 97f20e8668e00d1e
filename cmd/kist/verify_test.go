package main

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store"
)

// TestPrintDamage: what a base harms is listed as far as a person reads, and counted beyond that.
func TestPrintDamage(t *testing.T) {
	d := &store.Damage{Object: "slabs/ab/x", Problem: "slab slabs/ab/x: damaged", Standing: 54}
	for i := range 25 {
		id := fmt.Sprintf("20260314t0203z-%04d", i)
		d.Captures, d.Members = append(d.Captures, id), append(d.Members, store.Harmed{Capture: id, Volume: "beds", Path: "a"})
	}
	var out bytes.Buffer
	a := newApp(strings.NewReader(""), &out, &out, func(string) string { return "" })
	a.printDamage(d, 1)
	for _, want := range []string{"Damage 1: slabs/ab/x\n", "54 frames elsewhere", "20260314t0203z-0019 and 5 more\n", "and 5 members more\n"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%q is missing:\n%s", want, &out)
		}
	}
	if strings.Contains(out.String(), "z-0020") {
		t.Errorf("more than 20 are listed:\n%s", &out)
	}
}

// TestPrintBaseError: content that can't be read for want of its base says where that lies, and what to do.
func TestPrintBaseError(t *testing.T) {
	var out bytes.Buffer
	a := newApp(strings.NewReader(""), &out, &out, func(string) string { return "" })
	a.printError(fmt.Errorf("member list: %w: %w", store.ErrBase, &store.ObjectError{Object: "slabs/ab/x", Err: store.ErrDamaged}))
	want := "It was stored as what differs from a base in slabs/ab/x, which is missing or damaged: put that file back if a copy of the repository has it.\nkist verify --full shows"
	if !strings.Contains(out.String(), want) {
		t.Errorf("%q is missing:\n%s", want, &out)
	}
}
