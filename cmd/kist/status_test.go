package main

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
)

// TestStatusWidth: on a terminal the verdict is broken between words, and nothing of it is cut; the table of
// services has no more than 80 columns.
func TestStatusWidth(t *testing.T) {
	name := strings.Repeat("seedbank-of-the-valley-", 3)
	one := store.ServiceStatus{
		Name: name, Host: "hazel.orchard.example", Age: 900 * 24 * time.Hour,
		Last: &store.Capture{Taken: time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC)},
	}
	s := &state{free: -1, Status: &store.Status{
		Services: []store.ServiceStatus{one}, Wanted: []store.Want{{Kind: store.WantNewCapture, Service: &one}},
	}}
	for columns, whole := range map[int]bool{0: true, 80: false} {
		var out bytes.Buffer
		a := newApp(nil, &out, nil, func(string) string { return "" })
		a.Columns = columns
		if err := a.printStatus(s, s.wanted()); err != nil {
			t.Fatal(err)
		}
		if !whole && len(wide(out.String())) > 0 {
			t.Errorf("wider than the terminal:\n%s", out.String())
		}
		verdict, _, _ := strings.Cut(out.String(), "\n\n")
		if whole == strings.Contains(verdict, "\n") {
			t.Errorf("%d columns: %q", columns, verdict)
		}
		if want := "Wanted: " + name + " on hazel.orchard.example: the last capture is 900 days old"; strings.Join(strings.Fields(verdict), " ") != want {
			t.Errorf("%q, not %q", verdict, want)
		}
	}
}
