package serve

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"testing"

	"github.com/kistarchive/kist/store"
)

// TestRetiredFolders: file managers see no retired captures.
func TestRetiredFolders(t *testing.T) {
	w := newWorld(t)
	if err := w.r.Retire(t.Context(), []string{w.was.ID}, store.MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	w.server.library.forget()
	all := w.list("/dav/seedbank/")
	if all["/dav/seedbank/"+w.is.ID+"/"] != "folder" || len(all) != 2 {
		t.Errorf("%q", all)
	}
	if status, _, _ := w.dav("PROPFIND", "/dav/seedbank/"+w.was.ID+"/", nil); status != http.StatusNotFound {
		t.Errorf("a retired one: %d", status)
	}
}

// TestFailedListing: a folder that can't be read is an error, and no empty folder.
func TestFailedListing(t *testing.T) {
	w := newWorld(t)
	broken := errors.New("the share went away")
	tree := &davTree{library: w.server.library, known: map[string]*davInfo{"/": {name: "kist", folder: true}}, failed: broken}
	r := httptest.NewRequest("PROPFIND", "/dav/", nil)
	r.Header.Set("Depth", "0")
	if err := tree.propfind(&answer{ResponseWriter: httptest.NewRecorder()}, r); err != broken {
		t.Errorf("%v", err)
	}
}

// leaving is the context of a client that leaves after it was looked at so often.
type leaving struct {
	context.Context
	looks int
}

func (l *leaving) Err() error {
	if l.looks--; l.looks < 0 {
		return context.Canceled
	}
	return nil
}

// TestListedForSomebody: a folder is listed only for as long as its client is there, whatever its size.
func TestListedForSomebody(t *testing.T) {
	w := newWorld(t)
	const n = 2*readTogether + 1
	lots := make(map[string]string)
	for i := range n {
		lots[fmt.Sprintf("lots/%05d", i)] = ""
	}
	c := w.capture("4.3.0", tarOf(t, lots))
	w.server.library.forget()
	for looks, want := range map[int]error{n + 100: nil, 3: context.Canceled, readTogether + 3: context.Canceled} {
		tree := &davTree{library: w.server.library, known: make(map[string]*davInfo)}
		all, err := tree.listMembers(&leaving{t.Context(), looks}, "/", ref{c.ID, c.Volumes[0].Name, "lots"})
		if !errors.Is(err, want) || err == nil && len(all) != n || len(tree.known) > looks {
			t.Errorf("%d looks: %d of %d entries, %v", looks, len(all), len(tree.known), err)
		}
	}
}
