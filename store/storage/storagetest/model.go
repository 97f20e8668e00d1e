package storagetest

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/kistarchive/kist/store/storage"
)

// testModel makes random calls of a storage, and compares with a map.
func testModel(t *testing.T, s storage.Storage) {
	used := 0
	rapid.Check(t, func(t *rapid.T) {
		m := model{Storage: s, objects: map[string][]byte{}, used: &used}
		defer m.removeAll(t)
		t.Repeat(map[string]func(*rapid.T){
			"put":    m.put,
			"mark":   m.mark,
			"read":   m.read,
			"remove": m.remove,
			"":       m.list,
		})
	})
}

type model struct {
	storage.Storage
	objects map[string][]byte
	used    *int // names, over all rounds: none is used twice
}

// name draws a name that may be taken.
func (m *model) name(t *rapid.T) string {
	if taken := slices.Sorted(maps.Keys(m.objects)); len(taken) > 0 && rapid.Bool().Draw(t, "taken") {
		return rapid.SampledFrom(taken).Draw(t, "name")
	}
	*m.used++
	folder := rapid.SampledFrom([]string{"", "captures/", "leases/", "slabs/00/", "slabs/01/a/"}).Draw(t, "folder")
	return fmt.Sprintf("%sn%d", folder, *m.used)
}

func (m *model) put(t *rapid.T) {
	content := rapid.SliceOfN(rapid.Byte(), 0, 300).Draw(t, "content")
	name := m.name(t)
	m.added(t, name, content, m.Put(t.Context(), name, bytes.NewReader(content)))
}

func (m *model) mark(t *rapid.T) {
	content := rapid.SliceOfN(rapid.Byte(), 0, 300).Draw(t, "content")
	name := m.name(t)
	m.added(t, name, content, m.Mark(t.Context(), name, content))
}

func (m *model) added(t *rapid.T, name string, content []byte, err error) {
	if _, taken := m.objects[name]; taken {
		m.want(t, "add "+name, err, storage.ErrExists)
		return
	}
	m.want(t, "add "+name, err, nil)
	m.objects[name] = content
}

func (m *model) read(t *rapid.T) {
	name := m.name(t)
	p := make([]byte, rapid.IntRange(0, 320).Draw(t, "length"))
	off := rapid.IntRange(0, 320).Draw(t, "offset")
	err := m.ReadAt(t.Context(), name, p, int64(off))
	content, there := m.objects[name]
	switch {
	case !there:
		m.want(t, "read "+name, err, storage.ErrNotFound)
	case off+len(p) > len(content):
		m.want(t, "read "+name, err, io.ErrUnexpectedEOF)
	default:
		m.want(t, "read "+name, err, nil)
		if !bytes.Equal(p, content[off:off+len(p)]) {
			t.Fatalf("read %s: wrong content", name)
		}
	}
}

func (m *model) remove(t *rapid.T) {
	name := m.name(t)
	err := m.Remove(t.Context(), name)
	if _, there := m.objects[name]; !there {
		m.want(t, "remove "+name, err, storage.ErrNotFound)
		return
	}
	m.want(t, "remove "+name, err, nil)
	delete(m.objects, name)
}

// list compares what is there, after every step.
func (m *model) list(t *rapid.T) {
	folder := rapid.SampledFrom([]string{"", "slabs", "slabs/01"}).Draw(t, "listed")
	infos, err := m.List(t.Context(), folder)
	m.want(t, "list "+folder, err, nil)
	var want []string
	for name := range m.objects {
		if folder == "" || strings.HasPrefix(name, folder+"/") {
			want = append(want, name)
		}
	}
	slices.Sort(want)
	var got []string
	for _, info := range infos {
		got = append(got, info.Name)
		if info.Size != int64(len(m.objects[info.Name])) {
			t.Fatalf("%s: listed with %d bytes", info.Name, info.Size)
		}
	}
	if !slices.Equal(got, want) {
		t.Fatalf("list %q: got %q, want %q", folder, got, want)
	}
}

func (m *model) removeAll(t *rapid.T) {
	for name := range m.objects {
		m.want(t, "remove "+name, m.Remove(t.Context(), name), nil)
	}
}

func (m *model) want(t *rapid.T, call string, got, want error) {
	if !errors.Is(got, want) {
		t.Fatalf("%s: got %v, want %v", call, got, want)
	}
}
