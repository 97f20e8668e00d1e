package serve

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
)

// TestParts: a page of a large folder tells where it is, and leads on, back, to the beginning and to the end.
func TestParts(t *testing.T) {
	at := ref{"c", "v", "lots"}
	n := 2*entriesAtOnce + 7
	f := &folderNames{at: at}
	for i := range n {
		f.names = append(f.names, fmt.Sprintf("%04d", i))
	}
	behind := func(i int) string { return at.Behind(fmt.Sprintf("%04d", i)) }
	for _, c := range []struct {
		after   string
		members int
		more    bool // on pages behind
		counted bool // all names are
		want    partView
	}{
		{"", 250, true, true, partView{From: 1, To: 250, Last: behind(499)}},
		{"0249", 250, true, true, partView{From: 251, To: 500, First: at.Folder(), Back: at.Folder(), Last: behind(499)}},
		{"0499", 7, false, true, partView{From: 501, To: 507, First: at.Folder(), Back: behind(249)}},
		{"0009x", 250, true, true, partView{From: 11, To: 260, First: at.Folder(), Back: at.Folder(), Last: behind(499)}},
		{"zzz", 0, false, true, partView{From: 508, To: 507, First: at.Folder(), Back: behind(256)}},
		{"0249", 250, true, false, partView{From: 251, To: 500, More: true, First: at.Folder(), Back: at.Folder()}},
		{"zzz", 250, true, false, partView{More: true, First: at.Folder()}},
	} {
		f.more, c.want.All = !c.counted, n
		if got := newPartView(at, f, c.after, c.members, c.more); *got != c.want {
			t.Errorf("behind %q: %+v, not %+v", c.after, *got, c.want)
		}
	}
	whole := &folderNames{at: at, names: f.names[:2*entriesAtOnce]} // the last page is full
	if got := newPartView(at, whole, "", entriesAtOnce, true); got.Last != behind(249) {
		t.Errorf("the last page of %d is at %s", len(whole.names), got.Last)
	}
	l := &library{}
	for i := range mostFolders + 2 {
		l.useFolder(ref{Path: fmt.Sprint(i)})
	}
	if l.useFolder(ref{Path: "3"}); len(l.folders) != mostFolders || l.folders[0].at.Path != "2" || l.folders[mostFolders-1].at.Path != "3" {
		t.Errorf("%d folders are kept", len(l.folders))
	}
}

// TestLargeFolder: its members come a page at a time, all of them once, and only so many of them are counted.
func TestLargeFolder(t *testing.T) {
	const n = 3*readTogether + 2
	w := newWorld(t)
	lots := make(map[string]string, n)
	for i := range n {
		lots[fmt.Sprintf("lots/%06d", i)] = ""
	}
	c := w.capture("4.3.0", tarOf(t, lots))
	w.server.library.forget()
	w.server.library.countTime = 0 // each page counts one part
	link := ref{c.ID, c.Volumes[0].Name, "lots"}.Folder()
	if _, _, body := w.get(link); !strings.Contains(body, fmt.Sprintf("Members 1 to 250 of more than %d", readTogether)) {
		t.Error("the first page waits until all are counted")
	}
	w.server.library.countTime = time.Hour
	for _, c := range []struct {
		most nameBounds
		want string
	}{
		{nameBounds{2 * readTogether, 1 << 20}, "of more than 1,000"},
		{nameBounds{1 << 20, 2 * readTogether * len("000000")}, "of more than 1,000"},
		{nameBounds{2*readTogether + 1, 2*readTogether*len("000000") + 1}, "of more than 1,500"},
		{mostNames(), "of 1,502"},
	} {
		w.server.library.forget()
		w.server.library.most = c.most
		if _, _, first := w.get(link); !strings.Contains(first, "Members 1 to 250 "+c.want) {
			t.Errorf("at most %+v: %q is not on the first page", c.most, c.want)
		}
	}
	var names []string
	for link := (ref{c.ID, c.Volumes[0].Name, "lots"}).Folder(); link != ""; {
		_, _, body := w.get(link)
		entries := strings.Split(body, `<tr><th scope="row" class="path"><a href="`)[1:]
		if len(entries) > entriesAtOnce {
			t.Fatalf("%d entries on a page", len(entries))
		}
		for _, e := range entries {
			_, name, _ := strings.Cut(e, `">`)
			name, _, _ = strings.Cut(name, "<")
			names = append(names, name)
		}
		link = ""
		if _, next, ok := strings.Cut(body, `">Go on</a>`); ok && next != "" {
			before, _, _ := strings.Cut(body, `">Go on</a>`)
			link = strings.ReplaceAll(before[strings.LastIndex(before, `href="`)+len(`href="`):], "&amp;", "&")
		}
	}
	if len(names) != n || !slices.IsSorted(names) || names[0] != "000000" || names[n-1] != fmt.Sprintf("%06d", n-1) {
		t.Errorf("%d members, not %d", len(names), n)
	}
}
