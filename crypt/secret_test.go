package crypt

import (
	"bytes"
	"encoding/base64"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"strings"
	"testing"
	"testing/iotest"
)

func passphrase(t testing.TB, text string) *Passphrase {
	t.Helper()
	p, err := NewPassphrase([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestReadPassphrase(t *testing.T) {
	longest := strings.Repeat("p", MaxPassphrase)
	for _, c := range []struct {
		name, content, want string
		err                 error
	}{
		{"plain", "seed bank", "seed bank", nil},
		{"newline", "seed bank\n", "seed bank", nil},
		{"Windows line end", "seed bank\r\n", "seed bank", nil},
		{"one line end only", "seed bank\n\n", "seed bank\n", nil},
		{"carriage return alone", "seed bank\r", "seed bank\r", nil},
		{"spaces count", " seed bank \n", " seed bank ", nil},
		{"any bytes", "\x00\xff\n", "\x00\xff", nil},
		{"longest", longest, longest, nil},
		{"longest with a line end", longest + "\r\n", longest, nil},
		{"empty", "", "", ErrEmptySecret},
		{"newline alone", "\n", "", ErrEmptySecret},
		{"too long", longest + "p", "", ErrPassphraseTooLong},
		{"too long with a line end", longest + "p\n", "", ErrPassphraseTooLong},
		{"a line end beyond what is read", longest + "pp\r\n", "", ErrPassphraseTooLong},
		{"far too long", strings.Repeat(longest, 3), "", ErrPassphraseTooLong},
	} {
		t.Run(c.name, func(t *testing.T) {
			p, err := ReadPassphrase(iotest.OneByteReader(strings.NewReader(c.content)))
			if !errors.Is(err, c.err) {
				t.Fatalf("error %v, want %v", err, c.err)
			}
			if err == nil && string(*p.text.get()) != c.want {
				t.Errorf("passphrase %q, want %q", *p.text.get(), c.want)
			}
		})
	}
	if _, err := ReadPassphrase(iotest.ErrReader(io.ErrUnexpectedEOF)); !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("a failing reader: %v", err)
	}
}

func TestPassphraseIsCopied(t *testing.T) {
	text := []byte("seed bank")
	p, err := NewPassphrase(text)
	if err != nil {
		t.Fatal(err)
	}
	clear(text)
	if string(*p.text.get()) != "seed bank" {
		t.Error("the passphrase changed with the caller's bytes")
	}
}

func TestKeyFileRoundTrip(t *testing.T) {
	key := NewKeyFile()
	var file bytes.Buffer
	if n, err := key.WriteTo(&file); n != 32 || err != nil || file.Len() != 32 {
		t.Fatalf("wrote %d of %d bytes, %v", n, file.Len(), err)
	}
	content := file.Bytes()
	read, err := ReadKeyFile(bytes.NewReader(content))
	if err != nil || *read.key.get() != *key.key.get() {
		t.Errorf("the key file does not come back: %v", err)
	}
	for n, bad := range map[string][]byte{
		"empty": {}, "short": content[:31], "long": append(content, '\n'), "far too long": make([]byte, 1<<16),
	} {
		if _, err := ReadKeyFile(bytes.NewReader(bad)); !errors.Is(err, ErrKeyFileSize) {
			t.Errorf("%s: %v", n, err)
		}
	}
	if _, err := ReadKeyFile(iotest.ErrReader(io.ErrUnexpectedEOF)); !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("a failing reader: %v", err)
	}
}

func TestWipedSecretsAreRefused(t *testing.T) {
	p, k := passphrase(t, "seed bank"), NewKeyFile()
	text, key := *p.text.get(), k.key.get()
	for range 2 {
		p.Wipe()
		k.Wipe()
	}
	if !bytes.Equal(text, make([]byte, len(text))) || *key != [keySize]byte{} {
		t.Error("Wipe left a secret in memory")
	}
	if _, err := k.WriteTo(io.Discard); !errors.Is(err, ErrEmptySecret) {
		t.Errorf("WriteTo after Wipe: %v", err)
	}
	for name, secret := range map[string]Secret{
		"wiped passphrase": p, "wiped key file": k,
		"zero passphrase": new(Passphrase), "zero key file": new(KeyFile),
		"nil passphrase": (*Passphrase)(nil), "nil key file": (*KeyFile)(nil),
	} {
		if _, err := newSlot(fixedRoot(), fixedRepo(), secret, SlotOptions{Cost: cheap}); !errors.Is(err, ErrEmptySecret) {
			t.Errorf("%s: a new slot says %v", name, err)
		}
	}
}

// Nothing that a caller may do by mistake prints a key.
func TestSecretsAreNeverPrinted(t *testing.T) {
	material := []byte("hazel seedbank hazel seedbank 32")
	key := (*[keySize]byte)(material)
	keys := &Keys{derived: hide(&derivedKeys{identity: *key, boundary: *key, wrapping: *key, manifest: *key, slots: *key, groups: *key})}
	pieces, err := newPieceCipher(fixedName(), material)
	if err != nil {
		t.Fatal(err)
	}
	root, sealer, opener := &RootKey{key: hide(key)}, &Sealer{pieces: pieces}, &Opener{pieces: pieces}
	phrase, file := &Passphrase{text: hide(&material)}, &KeyFile{key: hide(key)}
	for _, secret := range []any{
		root, *root, keys, *keys, sealer, *sealer, opener, *opener, phrase, *phrase, file, *file,
		keys.NewHasher(), *keys.NewHasher(), keys.BoundarySource(),
	} {
		name := fmt.Sprintf("%T", secret)
		for _, verb := range []string{"%v", "%+v", "%#v", "%s", "%x", "%X", "%q", "%d", "%o", "%10.3v", "%!"} {
			got := fmt.Sprintf(verb, secret)
			if verb != "%!" && got != "[secret]" {
				t.Errorf("%s with %s: %s", name, verb, got)
			}
			refuseLeak(t, name+" with "+verb, got, material)
			// In a caller's struct, where fmt calls no methods.
			refuseLeak(t, name+" inside, with "+verb, fmt.Sprintf(verb, struct{ inner any }{secret}), material)
			refuseLeak(t, name+" in a list, with "+verb, fmt.Sprintf(verb, []any{secret}), material)
		}
		if s, g := secret.(fmt.Stringer).String(), secret.(fmt.GoStringer).GoString(); s != "[secret]" || g != "[secret]" {
			t.Errorf("%s as text: %s, %s", name, s, g)
		}
		text, err := json.Marshal(map[string]any{"field": secret})
		if err != nil || string(text) != `{"field":"[secret]"}` {
			t.Errorf("%s in JSON: %s, %v", name, text, err)
		}
		var log bytes.Buffer
		slog.New(slog.NewTextHandler(&log, nil)).Info("opened", "secret", secret)
		slog.New(slog.NewJSONHandler(&log, nil)).Info("opened", "secret", secret)
		if strings.Count(log.String(), "[secret]") != 2 {
			t.Errorf("%s in a log: %s", name, &log)
		}
		refuseLeak(t, name+" in a log", log.String(), material)
		refuseLeak(t, name+" in an error", fmt.Errorf("open %v: %w", secret, ErrDamaged).Error(), material)
	}
	if err := errors.Join(root.failing(t), phrase.failing(t)); err == nil {
		t.Error("no errors to look at")
	} else {
		refuseLeak(t, "an error of the package", err.Error(), material)
	}
}

func (k *RootKey) failing(t *testing.T) error {
	_, err := derive(t, k, fixedRepo()).NewOpener(fixedName(), WrapXChaCha20Poly1305, make([]byte, WrappedSize))
	return err
}

func (p *Passphrase) failing(t *testing.T) error {
	_, err := cheapSlot(t, NewKeyFile()).Unlock(p, fixedRepo(), UnlockOptions{})
	return err
}

// refuseLeak looks for four bytes of the material in the forms that Go prints.
func refuseLeak(t *testing.T, what, printed string, material []byte) {
	t.Helper()
	part := material[:4]
	for _, form := range []string{
		string(part), hex.EncodeToString(part), fmt.Sprintf("%X", part), fmt.Sprintf("% x", part),
		strings.Trim(fmt.Sprint(part), "[]"), strings.TrimSuffix(strings.TrimPrefix(fmt.Sprintf("%#v", part), "[]byte{"), "}"),
		strings.Trim(fmt.Sprintf("%o", part), "[]"), fmt.Sprint(binary.LittleEndian.Uint32(part)), fmt.Sprintf("%x", binary.LittleEndian.Uint32(part)), base64.StdEncoding.EncodeToString(material)[:5],
	} {
		if strings.Contains(printed, form) {
			t.Errorf("%s gives the key away: %s", what, printed)
		}
	}
}
