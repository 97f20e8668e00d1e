package store_test

import (
	"bytes"
	"crypto/hkdf"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"testing"

	"golang.org/x/crypto/chacha20poly1305"

	"github.com/kistarchive/kist/crypt"
)

// slotForgery is a key slot as somebody makes it who can write to the repository and
// has FORMAT.md. What is left out is as it should be.
type slotForgery struct {
	version    int // 1 by default
	id         string
	repository crypt.RepositoryID
	passphrase string // a guess; "": key
	key        []byte // of a key file
	root       []byte // of somebody's making; 32 bytes
	cost       *secondArgon2id
}

// document makes the slot, by package crypto and the second reader alone.
func (f slotForgery) document(t testing.TB) []byte {
	t.Helper()
	f.version = max(f.version, 1)
	slot := &secondSlot{Version: f.version, Kind: "key-file", Argon2id: f.cost}
	fields := map[string]any{
		"version": uint64(f.version), "id": f.id, "repository": f.repository.String(), "kind": "key-file",
		"label": "the safe", "made": "2026-03-14T02:03:00Z",
	}
	secret := f.key
	if f.passphrase != "" {
		secret, slot.Kind, fields["kind"] = []byte(f.passphrase), "passphrase", "passphrase"
		fields["argon2id"] = map[string]any{"memory_kib": uint64(f.cost.Memory), "passes": uint64(f.cost.Passes), "lanes": uint64(f.cost.Lanes)}
	}
	salt, nonce := random(f.id[0], 32), random(f.id[1], 24)
	fields["salt"], fields["nonce"] = hex.EncodeToString(salt), hex.EncodeToString(nonce)
	key, check, err := slot.keys(secret, salt)
	if err != nil {
		t.Fatal(err)
	}
	if f.version > 1 {
		fields["check"] = check
	}
	aead, err := chacha20poly1305.NewX(key)
	if err != nil {
		t.Fatal(err)
	}
	fields["sealed"] = hex.EncodeToString(aead.Seal(nil, nonce, f.root, boundText(t, fields)))
	if f.version > 1 {
		keys, err := secondDerive(f.root, f.repository[:])
		if err != nil {
			t.Fatal(err)
		}
		mac := hmac.New(sha256.New, keys.slots)
		mac.Write(boundText(t, fields))
		fields["mac"] = hex.EncodeToString(mac.Sum(nil))
	}
	sum := sha256.Sum256(bytes.TrimPrefix(boundText(t, fields), []byte("kist 1 key slot\n")))
	fields["checksum"] = hex.EncodeToString(sum[:16])
	return asWritten(t, fields)
}

// asWritten gives the fields in the order in which the library writes them.
func asWritten(t testing.TB, fields map[string]any) []byte {
	t.Helper()
	b, err := json.Marshal(fields)
	if err != nil {
		t.Fatal(err)
	}
	var ordered secondSlot
	if err := json.Unmarshal(b, &ordered); err != nil {
		t.Fatal(err)
	}
	if b, err = json.MarshalIndent(ordered, "", "  "); err != nil {
		t.Fatal(err)
	}
	return append(b, '\n')
}

func boundText(t testing.TB, fields map[string]any) []byte {
	t.Helper()
	b, err := secondEncoding().Marshal(fields)
	if err != nil {
		t.Fatal(err)
	}
	return append([]byte("kist 1 key slot\n"), b...)
}

// forgedManifest gives a kist.json that fits a root key of somebody's making.
func forgedManifest(t testing.TB, id crypt.RepositoryID, root []byte) []byte {
	t.Helper()
	key, err := hkdf.Key(sha256.New, root, id[:], "kist 1 repository file", 32)
	if err != nil {
		t.Fatal(err)
	}
	m := secondReadable{Format: 1, ID: id.String(), Made: "2026-03-14T02:03:00Z", Average: 16384, Grace: 604800}
	mac := hmac.New(sha256.New, key)
	mac.Write([]byte(m.sealed()))
	m.Seal = hex.EncodeToString(mac.Sum(nil))
	b, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func slotNumbered(n int) string { return fmt.Sprintf("%016x", n) }
