package crypt

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"flag"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// What lies in testdata/golden must open for ever. Files are made once and
// never again: the flag refuses to write over one.
var writeGolden = flag.Bool("write-golden", false, "make the files of testdata/golden that are missing")

const (
	goldenPassphrase = "golden seed bank"
	goldenFolder     = "testdata/golden"
)

func goldenKeyFile(t testing.TB) *KeyFile {
	t.Helper()
	key, err := ReadKeyFile(bytes.NewReader(counting(0x40, keySize)))
	if err != nil {
		t.Fatal(err)
	}
	return key
}

func goldenSecrets(t *testing.T) map[SlotKind]Secret {
	return map[SlotKind]Secret{SlotPassphrase: passphrase(t, goldenPassphrase), SlotKeyFile: goldenKeyFile(t)}
}

// goldenObject is a sealed object and what the keys of fixedRoot in fixedRepo
// derive. Byte strings are hexadecimal.
type goldenObject struct {
	Wrapping WrappingKind `json:"wrapping"`
	Wrapped  string       `json:"wrapped"`
	Frame    string       `json:"frame_7"`
	Identity string       `json:"identity_of_catalogue"`
	Digest   string       `json:"digest_of_catalogue_twice"`
	Manifest string       `json:"manifest_mac_of_catalogue"`
	Boundary string       `json:"boundary_source"`
}

const goldenContent = "catalogue"

// derivedGolden fills in what is derived, without the sealed object.
func derivedGolden(t *testing.T, keys *Keys) goldenObject {
	t.Helper()
	id := keys.NewHasher().Sum([]byte(goldenContent))
	d := NewDigestHasher()
	d.Add(id, len(goldenContent))
	d.Add(id, len(goldenContent))
	mac := keys.ManifestMAC([]byte(goldenContent))
	boundary := make([]byte, 64)
	if _, err := io.ReadFull(keys.BoundarySource(), boundary); err != nil {
		t.Fatal(err)
	}
	return goldenObject{
		Identity: id.String(), Digest: d.Sum().String(),
		Manifest: hex.EncodeToString(mac[:]), Boundary: hex.EncodeToString(boundary),
	}
}

func TestWriteGolden(t *testing.T) {
	if !*writeGolden {
		t.Skip("only with -write-golden")
	}
	for kind, secret := range goldenSecrets(t) {
		s, err := NewSlot(fixedRoot(), fixedRepo(), secret, SlotOptions{
			Label: "hazel <golden>", Made: time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC),
		})
		if err != nil {
			t.Fatal(err)
		}
		writeOnce(t, filepath.Join(goldenFolder, string(kind), string(s.ID())+".json"), marshal(t, s))
	}
	keys := derive(t, fixedRoot(), fixedRepo())
	s, kind, wrapped, err := keys.NewSealer(fixedName())
	if err != nil {
		t.Fatal(err)
	}
	object := derivedGolden(t, keys)
	object.Wrapping, object.Wrapped = kind, hex.EncodeToString(wrapped)
	object.Frame = hex.EncodeToString(s.Seal(nil, []byte(goldenContent), Piece{PieceFrame, 7}))
	document, err := json.MarshalIndent(object, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	writeOnce(t, filepath.Join(goldenFolder, "object.json"), append(document, '\n'))
}

func writeOnce(t *testing.T, path string, content []byte) {
	t.Helper()
	folder := filepath.Dir(path)
	if there, _ := filepath.Glob(filepath.Join(folder, "*.json")); len(there) > 0 {
		t.Fatalf("%s has its golden file: %v", folder, there)
	}
	if err := os.MkdirAll(folder, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, content, 0o644); err != nil {
		t.Fatal(err)
	}
}

func TestGoldenSlotsOpen(t *testing.T) {
	for kind, secret := range goldenSecrets(t) {
		paths, err := filepath.Glob(filepath.Join(goldenFolder, string(kind), "*.json"))
		if err != nil || len(paths) == 0 {
			t.Fatalf("no golden slot of kind %s: %v", kind, err)
		}
		for _, path := range paths {
			document, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			s, err := ParseSlot(SlotID(strings.TrimSuffix(filepath.Base(path), ".json")), document)
			if err != nil {
				t.Fatal(err)
			}
			if s.Kind() != kind || s.Label() != "hazel <golden>" || s.Made().Format(time.RFC3339) != "2026-03-14T02:03:00Z" {
				t.Errorf("%s: kind %s, label %q, made %v", path, s.Kind(), s.Label(), s.Made())
			}
			if !bytes.Equal(marshal(t, s), document) {
				t.Errorf("%s is written differently now", path)
			}
			root, err := s.Unlock(secret, fixedRepo(), UnlockOptions{})
			if err != nil || !root.Equal(fixedRoot()) {
				t.Errorf("%s: unlock: %v", path, err)
			}
		}
	}
}

func readGoldenObject(t testing.TB) goldenObject {
	t.Helper()
	document, err := os.ReadFile(filepath.Join(goldenFolder, "object.json"))
	if err != nil {
		t.Fatal(err)
	}
	var object goldenObject
	if err := json.Unmarshal(document, &object); err != nil {
		t.Fatal(err)
	}
	return object
}

func TestGoldenObjectOpens(t *testing.T) {
	object := readGoldenObject(t)
	keys := derive(t, fixedRoot(), fixedRepo())
	o, err := keys.NewOpener(fixedName(), object.Wrapping, unhex(t, object.Wrapped))
	if err != nil {
		t.Fatal(err)
	}
	opened, err := o.Open(nil, unhex(t, object.Frame), Piece{PieceFrame, 7})
	if err != nil || string(opened) != goldenContent {
		t.Errorf("frame 7: %q, %v", opened, err)
	}
	want := derivedGolden(t, keys)
	want.Wrapping, want.Wrapped, want.Frame = object.Wrapping, object.Wrapped, object.Frame
	if object != want {
		t.Errorf("derived now: %+v\ngolden:      %+v", want, object)
	}
}
