package main

import (
	"os"
	"slices"
)

// newSlabs captures fresh data, and gives the files of the slabs that came with it.
func (k *killCase) newSlabs() (names []string) {
	k.t.Helper()
	k.grow()
	before := k.files("slabs/*/*")
	k.capture()
	for _, name := range k.files("slabs/*/*") {
		if !slices.Contains(before, name) {
			names = append(names, name)
		}
	}
	if len(names) == 0 {
		k.t.Fatal("a capture of fresh data put no slab")
	}
	return names
}

// repairByParity damages slabs that have parity: whenever the repair is killed, all captures restore.
func (k *killCase) repairByParity() []string {
	k.must("settings", "--parity", "3%")
	for _, name := range k.newSlabs() {
		flip(k, name)
	}
	k.worn = true
	return []string{"repair", "--quiet"}
}

func (k *killCase) isMended() {
	k.t.Helper()
	k.worn = false
	k.check("after the repair by parity")
	if left := k.files("spare/slabs.*"); len(left) > 0 {
		k.t.Fatalf("%q is left of the repair", left)
	}
}

// repairFrom damages a slab that a second place has, and removes others.
func (k *killCase) repairFrom() []string {
	second := k.path("second")
	if _, err := os.Stat(second); err != nil {
		k.must("setup", "--repository", second, "--replica-of", k.path("repo"))
	}
	k.must("settings", "--parity", "off") // which would heal it
	damaged, gone := k.newSlabs(), k.newSlabs()
	if k.run(k.t.Context(), "replicate", "--to", second) == statusDamage {
		// A slab is copied as a whole: what an earlier round damaged, and nothing needs any more, may lie beside what is needed.
		k.must("reclaim", "--quiet", "--min-dead", "0.1%")
		k.must("replicate", "--to", second)
	}
	for _, name := range damaged {
		flip(k, name)
	}
	for _, name := range gone {
		if err := os.Remove(name); err != nil {
			k.t.Fatal(err)
		}
	}
	k.harmed = true
	return []string{"repair", "--quiet", "--from", second}
}

// isFetched: nothing is damaged any more but what nothing needs, and the second place has what it had.
func (k *killCase) isFetched() {
	k.t.Helper()
	k.isHealed()
	k.must("verify", "--full", "--repository", k.path("second"))
}
