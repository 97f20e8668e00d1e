package store_test

import (
	"archive/tar"
	"bytes"
	"errors"
	"fmt"
	"path"
	"strings"

	"github.com/fxamacker/cbor/v2"
)

// secondNode is a node of an order, section 9.
type secondNode struct {
	Level uint64        `cbor:"1,keyasint"`
	Spans []secondSpan  `cbor:"2,keyasint,omitempty"`
	Below []secondBelow `cbor:"3,keyasint,omitempty"`
}

type secondSpan struct {
	_                              struct{} `cbor:",toarray"`
	Path                           []byte
	Members                        uint64
	List, Stamps, Chunks           uint64
	Padding                        uint64
	ListGap, StampsGap, ChunksGaps int64
}

type secondBelow struct {
	_                    struct{} `cbor:",toarray"`
	Path                 []byte
	Back                 uint64
	List, Stamps, Chunks int64
}

// secondPlace is where something stands: in the member list, the stamps and the contents.
type secondPlace struct{ list, stamps, chunks int64 }

func (p secondPlace) plus(list, stamps, chunks int64) secondPlace {
	return secondPlace{p.list + list, p.stamps + stamps, p.chunks + chunks}
}

// secondListed is a member, as its entry in the list says.
type secondListed struct {
	path    string
	at, end secondPlace
	padding uint64
	global  bool
}

// listed gives the entries of a volume; of those that are no members, the path is "\x00".
func (r *secondReader) listed(v *secondVolume) (all []secondListed, err error) {
	list, err := r.stream(&v.List)
	if err != nil {
		return nil, err
	}
	stampChunks, err := r.optional(v.Stamps)
	if err != nil {
		return nil, err
	}
	stamps := bytes.Join(stampChunks, nil)
	d := cbor.NewDecoder(bytes.NewReader(bytes.Join(list, nil)))
	var at secondPlace
	for before := uint64(0); ; {
		var e secondEntry
		start := d.NumBytesRead()
		if d.Decode(&e) != nil {
			return all, nil // streams were read before
		}
		header, rest, err := e.wholeHeader(stamps)
		if err != nil {
			return nil, err
		}
		m := secondListed{at: at, padding: -before & 511, path: "\x00"}
		at = at.plus(int64(d.NumBytesRead()-start), int64(len(stamps)-len(rest)), int64(e.Chunks))
		m.end = at
		if e.Kind == 1 {
			h, err := tar.NewReader(bytes.NewReader(header[m.padding:])).Next()
			if err != nil {
				return nil, err
			}
			m.path = secondPath(h.Name)
			m.global = h.Typeflag == tar.TypeXGlobalHeader
		}
		all = append(all, m)
		stamps, before = rest, e.Length
	}
}

// secondPath gives the path by which an order has a member.
func secondPath(name string) string {
	if p := path.Clean(strings.TrimLeft(name, "/")); p != "." {
		return p
	}
	return ""
}

// secondBefore tells whether a path stands before another one: a slash comes before all other bytes.
func secondPathBefore(a, b string) bool {
	slashFirst := func(p string) string {
		var out []byte
		for i := range len(p) {
			if p[i] == '/' {
				out = append(out, 0)
			} else {
				out = append(out, 1, p[i])
			}
		}
		return string(out)
	}
	return slashFirst(a) < slashFirst(b)
}

// checkOrder holds the order of a volume against its member list.
func (r *secondReader) checkOrder(v *secondVolume) error {
	if v.Order == nil {
		return nil
	}
	nodes, err := r.stream(v.Order)
	if err != nil {
		return err
	}
	all, err := r.listed(v)
	if err != nil {
		return err
	}
	w := secondOrder{nodes: nodes, byPlace: map[secondPlace]int{}, all: all, want: map[string]int{}}
	for i, m := range all {
		w.byPlace[m.at] = i
		if m.global {
			return errors.New("there is one beside a global header")
		}
		if m.path != "\x00" {
			w.want[m.path] = i // the last one counts
		}
	}
	if err := w.node(len(nodes)-1, -1, "", secondPlace{}); err != nil {
		return err
	}
	if len(w.want) > 0 || w.read != len(nodes) {
		return fmt.Errorf("%d members are missing, and %d of %d nodes were named", len(w.want), w.read, len(nodes))
	}
	return nil
}

// secondOrder is an order being read.
type secondOrder struct {
	nodes   [][]byte
	read    int
	all     []secondListed
	byPlace map[secondPlace]int
	want    map[string]int // by path, the members that were not met yet
	last    string
	begun   bool
}

// node reads a node and what is below it; of the root, level is -1.
func (w *secondOrder) node(number, level int, first string, begin secondPlace) error {
	var n secondNode
	if number < 0 || w.read == len(w.nodes) {
		return fmt.Errorf("no node %d", number)
	}
	w.read++
	if err := secondRecordInto(w.nodes[number], &n); err != nil {
		return err
	}
	if n.Level > 16 || level >= 0 && n.Level != uint64(level) || (n.Level == 0) != (len(n.Spans) > 0) || (n.Level > 0) != (len(n.Below) > 0) || len(n.Spans)+len(n.Below) > 4096 {
		return fmt.Errorf("node %d of level %d", number, n.Level)
	}
	if level >= 0 && (len(n.Spans) > 0 && string(n.Spans[0].Path) != first || len(n.Below) > 0 && string(n.Below[0].Path) != first) {
		return fmt.Errorf("node %d does not begin with %q", number, first)
	}
	at := begin
	for _, s := range n.Spans {
		at = at.plus(s.ListGap, s.StampsGap, s.ChunksGaps)
		if err := w.span(&s, at); err != nil {
			return err
		}
		at = at.plus(int64(s.List), int64(s.Stamps), int64(s.Chunks))
	}
	for _, b := range n.Below {
		at = at.plus(b.List, b.Stamps, b.Chunks)
		if b.Back == 0 {
			return errors.New("a node below itself")
		}
		if err := w.node(number-int(b.Back), int(n.Level)-1, string(b.Path), at); err != nil {
			return err
		}
	}
	return nil
}

func (w *secondOrder) span(s *secondSpan, at secondPlace) error {
	i, ok := w.byPlace[at]
	if !ok || s.Members == 0 || s.Members > 4096 || s.List > 4<<20 || s.Stamps > 4<<20 || i+int(s.Members) > len(w.all) ||
		s.Padding != w.all[i].padding || w.all[i].path != string(s.Path) {
		return fmt.Errorf("no span %+v at %v", s, at)
	}
	var end secondPlace
	for n := range int(s.Members) {
		m := w.all[i+n]
		if w.begun && !secondPathBefore(w.last, m.path) || w.want[m.path] != i+n {
			return fmt.Errorf("%q at a wrong place", m.path)
		}
		w.last, w.begun, end = m.path, true, m.end
		delete(w.want, m.path)
	}
	if end != at.plus(int64(s.List), int64(s.Stamps), int64(s.Chunks)) {
		return fmt.Errorf("the span from %q on ends at %v", s.Path, end)
	}
	return nil
}
