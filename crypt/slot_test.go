package crypt

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"time"

	"golang.org/x/crypto/argon2"
	"golang.org/x/crypto/chacha20poly1305"
	"pgregory.net/rapid"
)

// cheap is far below what NewSlot accepts.
var cheap = Cost{MemoryKiB: 8, Passes: 1, Lanes: 1}

// low lets cheap slots be tried.
func low() UnlockOptions { return UnlockOptions{Floor: cheap} }

func cheapSlot(t testing.TB, secret Secret) *Slot {
	t.Helper()
	s, err := newSlot(fixedRoot(), fixedRepo(), secret, SlotOptions{
		Label: "hazel", Made: time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC), Cost: cheap,
	})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func marshal(t testing.TB, s *Slot) []byte {
	t.Helper()
	document, err := s.Marshal()
	if err != nil {
		t.Fatal(err)
	}
	return document
}

func secrets(t testing.TB) map[string]Secret {
	return map[string]Secret{"passphrase": passphrase(t, "seed bank"), "key file": NewKeyFile()}
}

func TestSlotRoundTrip(t *testing.T) {
	phrase, key := passphrase(t, "seed bank"), NewKeyFile()
	rapid.Check(t, func(rt *rapid.T) {
		secret := Secret(phrase)
		if rapid.Bool().Draw(rt, "key file") {
			secret = key
		}
		label := rapid.StringOfN(rapid.RuneFrom([]rune("a Ü<&>\"\\/種\u2028\ufffd")), 0, 40, -1).Draw(rt, "label")
		made := time.Unix(rapid.Int64Range(0, 1<<33).Draw(rt, "made"), 999).In(time.FixedZone("", 3600))
		o := SlotOptions{Label: label, Made: made, Cost: cheap}

		root := NewRootKey()
		made1, err := newSlot(root, fixedRepo(), secret, o)
		if strings.ContainsRune(label, '\u2028') {
			if !errors.Is(err, ErrLabel) {
				rt.Fatalf("label %q: %v", label, err)
			}
			return
		}
		if err != nil {
			rt.Fatal(err)
		}
		s, err := ParseSlot(made1.ID(), marshal(t, made1))
		if err != nil {
			rt.Fatal(err)
		}
		if s.Label() != label || !s.Made().Equal(made.Truncate(time.Second)) || s.Kind() != secret.Kind() ||
			s.Repository() != fixedRepo() || s.ID() != made1.ID() || s.Cost() != made1.Cost() {
			rt.Fatalf("came back as %+v", s)
		}
		if !bytes.Equal(marshal(t, s), marshal(t, made1)) {
			rt.Fatal("written differently the second time")
		}
		opened, err := s.Unlock(secret, fixedRepo(), low())
		if err != nil || !opened.Equal(root) {
			rt.Fatalf("unlock: %v", err)
		}
	})
}

// cheapSlot1 gives a slot of version 1, which is not made any more.
func cheapSlot1(t testing.TB, secret Secret) *Slot {
	t.Helper()
	s := cheapSlot(t, secret)
	s.doc.Version, s.doc.Check, s.doc.MAC = slotVersion1, nil, nil
	if err := s.doc.seal(fixedRoot(), secret); err != nil {
		t.Fatal(err)
	}
	return s
}

// Wiring: a passphrase slot of version 1 is Argon2id and XChaCha20-Poly1305 over the
// additional data as documented, here written out by hand after RFC 8949.
func TestSlotIsArgon2idAndXChaCha20Poly1305(t *testing.T) {
	s := cheapSlot1(t, passphrase(t, "seed bank"))
	text := func(v string) string { // of 24 to 255 bytes
		if len(v) < 24 {
			return string(rune(0x60+len(v))) + v
		}
		return "\x78" + string([]byte{byte(len(v))}) + v
	}
	hexText := func(b hexBytes) string { v, _ := b.MarshalText(); return text(string(v)) }
	// Keys sort by their encoded bytes, so the shorter ones stand first.
	data := "kist 1 key slot\n\xa9" +
		text("id") + text(string(s.ID())) +
		text("kind") + text("passphrase") +
		text("made") + text("2026-03-14T02:03:00Z") +
		text("salt") + hexText(s.doc.Salt) +
		text("label") + text("hazel") +
		text("nonce") + hexText(s.doc.Nonce) +
		text("version") + "\x01" +
		text("argon2id") + "\xa3" + text("lanes") + "\x01" + text("passes") + "\x01" + text("memory_kib") + "\x08" +
		text("repository") + text(fixedRepo().String())

	aead, err := chacha20poly1305.NewX(argon2.IDKey([]byte("seed bank"), s.doc.Salt, 1, 8, 1, 32))
	if err != nil {
		t.Fatal(err)
	}
	root, err := aead.Open(nil, s.doc.Nonce, s.doc.Sealed, []byte(data))
	if err != nil || !bytes.Equal(root, fixedRoot().material()[:]) {
		t.Errorf("opened %x, %v", root, err)
	}
}

func TestNewSlotDefaults(t *testing.T) {
	phrase := passphrase(t, "seed bank")
	s, err := NewSlot(fixedRoot(), fixedRepo(), phrase, SlotOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if s.Cost() != (Cost{MemoryKiB: 65536, Passes: 3, Lanes: 4}) { // RFC 9106, section 4, second option
		t.Errorf("cost %v", s.Cost())
	}
	if _, err := s.Unlock(phrase, fixedRepo(), UnlockOptions{}); err != nil {
		t.Error(err)
	}
	if s, err := NewSlot(fixedRoot(), fixedRepo(), NewKeyFile(), SlotOptions{}); err != nil || s.Cost() != (Cost{}) {
		t.Errorf("a key file costs %v, %v", s.Cost(), err)
	}
}

func TestNewSlotRefuses(t *testing.T) {
	phrase := passphrase(t, "seed bank")
	for name, c := range map[string]struct {
		options SlotOptions
		want    error
	}{
		"cheap":           {SlotOptions{Cost: cheap}, ErrCost},
		"less memory":     {SlotOptions{Cost: Cost{64<<10 - 1, 3, 4}}, ErrCost},
		"fewer passes":    {SlotOptions{Cost: Cost{64 << 10, 2, 4}}, ErrCost},
		"fewer lanes":     {SlotOptions{Cost: Cost{64 << 10, 3, 3}}, ErrCost},
		"too much memory": {SlotOptions{Cost: Cost{4<<20 + 1, 3, 4}}, ErrCost},
		"too many passes": {SlotOptions{Cost: Cost{64 << 10, 65, 4}}, ErrCost},
		"too many lanes":  {SlotOptions{Cost: Cost{64 << 10, 3, 65}}, ErrCost},
		"long label":      {SlotOptions{Label: strings.Repeat("l", MaxLabel+1)}, ErrLabel},
		"control label":   {SlotOptions{Label: "ha\x1b[2Jzel"}, ErrLabel},
		"broken label":    {SlotOptions{Label: "ha\xffzel"}, ErrLabel},
	} {
		if _, err := NewSlot(fixedRoot(), fixedRepo(), phrase, c.options); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", name, err, c.want)
		}
	}
	wiped := NewRootKey()
	wiped.Wipe()
	if _, err := NewSlot(wiped, fixedRepo(), NewKeyFile(), SlotOptions{}); !errors.Is(err, ErrEmptySecret) {
		t.Errorf("wiped root key: %v", err)
	}
}

func TestUnlockRefuses(t *testing.T) {
	phrase, key := passphrase(t, "seed bank"), NewKeyFile()
	wiped := passphrase(t, "seed bank")
	wiped.Wipe()
	byPhrase, byKey := cheapSlot(t, phrase), cheapSlot(t, key)
	for name, c := range map[string]struct {
		slot    *Slot
		secret  Secret
		repo    RepositoryID
		options UnlockOptions
		want    error
	}{
		"wrong passphrase":   {byPhrase, passphrase(t, "seed bang"), fixedRepo(), low(), ErrWrongSecret},
		"longer passphrase":  {byPhrase, passphrase(t, "seed bank "), fixedRepo(), low(), ErrWrongSecret},
		"wrong key file":     {byKey, NewKeyFile(), fixedRepo(), low(), ErrWrongSecret},
		"key file":           {byPhrase, key, fixedRepo(), low(), ErrSecretKind},
		"passphrase":         {byKey, phrase, fixedRepo(), low(), ErrSecretKind},
		"other repository":   {byPhrase, phrase, NewRepositoryID(), low(), ErrForeignSlot},
		"wiped passphrase":   {byPhrase, wiped, fixedRepo(), low(), ErrEmptySecret},
		"less memory":        {byPhrase, phrase, fixedRepo(), UnlockOptions{MaxMemory: 8<<10 - 1, Floor: cheap}, ErrSlotTooCostly},
		"just enough memory": {byPhrase, phrase, fixedRepo(), UnlockOptions{MaxMemory: 8 << 10, Floor: cheap}, nil},
	} {
		root, err := c.slot.Unlock(c.secret, c.repo, c.options)
		if !errors.Is(err, c.want) || (root == nil) == (err == nil) {
			t.Errorf("%s: %v, want %v", name, err, c.want)
		}
		var named *SlotError
		if err != nil && (!errors.As(err, &named) || named.ID != c.slot.ID()) {
			t.Errorf("%s: the error does not name the slot: %v", name, err)
		}
	}
}

// A hostile slot takes no memory: its cost is refused before it is paid.
func TestHostileCostIsRefused(t *testing.T) {
	phrase := passphrase(t, "seed bank")
	atLimit := forge(t, cheapSlot(t, phrase), func(d *slotDocument) { d.Argon2id = &Cost{4 << 20, 64, 64} })
	s, err := ParseSlot(atLimit.doc.ID, marshal(t, atLimit))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Unlock(phrase, fixedRepo(), low()); !errors.Is(err, ErrSlotTooCostly) {
		t.Errorf("4 GiB: %v", err)
	}
	for name, cost := range map[string]Cost{
		"memory":            {4<<20 + 1, 1, 1},
		"most memory":       {1<<32 - 1, 1, 1},
		"too little":        {63, 1, 8},
		"no memory":         {0, 1, 1},
		"passes":            {64, 65, 1},
		"no passes":         {64, 0, 1},
		"lanes":             {1 << 20, 1, 65},
		"lanes of a byte":   {1 << 20, 1, 256},
		"no lanes":          {64, 1, 0},
		"lanes times eight": {64, 1, 1 << 29},
	} {
		hostile := forge(t, cheapSlot(t, phrase), func(d *slotDocument) { d.Argon2id = &cost })
		if _, err := ParseSlot(hostile.doc.ID, marshal(t, hostile)); !errors.Is(err, ErrDamagedSlot) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// forge changes a slot as somebody could who can write to the repository:
// with a checksum that fits.
func forge(t testing.TB, s *Slot, change func(*slotDocument)) *Slot {
	t.Helper()
	forged := *s
	change(&forged.doc)
	sum, err := forged.doc.checksum()
	if err != nil {
		t.Fatal(err)
	}
	forged.doc.Checksum = sum
	return &forged
}

// Whatever is changed in a slot, it does not open.
func TestForgedSlotsDoNotOpen(t *testing.T) {
	phrase := passphrase(t, "seed bank")
	for name, c := range map[string]struct {
		change func(*slotDocument)
		want   error
	}{
		"nothing":    {func(*slotDocument) {}, nil},
		"label":      {func(d *slotDocument) { d.Label = "rowan" }, ErrWrongSecret},
		"made":       {func(d *slotDocument) { d.Made = d.Made.Add(time.Second) }, ErrWrongSecret},
		"id":         {func(d *slotDocument) { d.ID = "00112233445566ff" }, ErrWrongSecret},
		"passes":     {func(d *slotDocument) { d.Argon2id = &Cost{8, 2, 1} }, ErrWrongSecret},
		"salt":       {func(d *slotDocument) { d.Salt = flip(d.Salt, 0) }, ErrWrongSecret},
		"nonce":      {func(d *slotDocument) { d.Nonce = flip(d.Nonce, 0) }, ErrWrongSecret},
		"sealed":     {func(d *slotDocument) { d.Sealed = flip(d.Sealed, 0) }, ErrWrongSecret},
		"repository": {func(d *slotDocument) { d.Repository = NewRepositoryID() }, ErrWrongSecret},
		"short salt": {func(d *slotDocument) { d.Salt = d.Salt[:15] }, ErrDamagedSlot},
		"long salt":  {func(d *slotDocument) { d.Salt = make(hexBytes, 65) }, ErrDamagedSlot},
		"long nonce": {func(d *slotDocument) { d.Nonce = make(hexBytes, 25) }, ErrDamagedSlot},
		"long root":  {func(d *slotDocument) { d.Sealed = make(hexBytes, 49) }, ErrDamagedSlot},
		"bad label":  {func(d *slotDocument) { d.Label = "\x1b[2J" }, ErrDamagedSlot},
		"bad id":     {func(d *slotDocument) { d.ID = "../../../etc/pas" }, ErrDamagedSlot},
		"no cost":    {func(d *slotDocument) { d.Argon2id = nil }, ErrDamagedSlot},
		"kind":       {func(d *slotDocument) { d.Kind = SlotKeyFile }, ErrDamagedSlot},
		"new kind":   {func(d *slotDocument) { d.Kind = "token" }, ErrUnknownSlotKind},
		"version":    {func(d *slotDocument) { d.Version = 3 }, ErrUnknownSlotVersion},
		"version 1":  {func(d *slotDocument) { d.Version = 1 }, ErrDamagedSlot},
		"downgraded": {func(d *slotDocument) { d.Version, d.Check, d.MAC = 1, nil, nil }, ErrWrongSecret},
		"check":      {func(d *slotDocument) { d.Check = flip(d.Check, 0) }, ErrWrongSecret},
		"short mac":  {func(d *slotDocument) { d.MAC = d.MAC[:31] }, ErrDamagedSlot},
		"no check":   {func(d *slotDocument) { d.Check = nil }, ErrDamagedSlot},
		"mac":        {func(d *slotDocument) { d.MAC = flip(d.MAC, 0) }, ErrForgedSlot},
		"version 0":  {func(d *slotDocument) { d.Version = 0 }, ErrDamagedSlot},
	} {
		t.Run(name, func(t *testing.T) {
			forged := forge(t, cheapSlot(t, phrase), c.change)
			s, err := ParseSlot(forged.doc.ID, marshal(t, forged))
			if err == nil {
				_, err = s.Unlock(phrase, forged.doc.Repository, low())
			}
			if !errors.Is(err, c.want) {
				t.Errorf("%v, want %v", err, c.want)
			}
		})
	}
}

// A flipped bit or a cut is told from a wrong secret, always.
func TestDamagedDocuments(t *testing.T) {
	for name, secret := range secrets(t) {
		t.Run(name, func(t *testing.T) {
			s := cheapSlot(t, secret)
			document := marshal(t, s)
			for bit := range len(document) * 8 {
				if _, err := ParseSlot(s.ID(), flip(document, bit)); !errors.Is(err, ErrDamagedSlot) {
					t.Fatalf("bit %d of byte %d (%q): %v", bit%8, bit/8, document[bit/8], err)
				}
			}
			for n := range len(document) - 1 { // the last byte is a newline
				if _, err := ParseSlot(s.ID(), document[:n]); !errors.Is(err, ErrDamagedSlot) {
					t.Fatalf("cut to %d bytes: %v", n, err)
				}
			}
		})
	}
}

func TestDocumentForms(t *testing.T) {
	s := cheapSlot(t, NewKeyFile())
	document := string(marshal(t, s))
	var compact bytes.Buffer
	if err := json.Compact(&compact, []byte(document)); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		document string
		want     error
	}{
		"as written":          {document, nil},
		"other white space":   {compact.String(), nil},
		"Windows line ends":   {strings.ReplaceAll(document, "\n", "\r\n"), nil},
		"empty":               {"", ErrDamagedSlot},
		"null":                {"null", ErrDamagedSlot},
		"a list":              {"[]", ErrDamagedSlot},
		"no fields":           {"{}", ErrDamagedSlot},
		"twice":               {document + document, ErrDamagedSlot},
		"something after":     {document + "x", ErrDamagedSlot},
		"field name's case":   {strings.Replace(document, `"label"`, `"Label"`, 1), ErrDamagedSlot},
		"field twice":         {strings.Replace(document, "{", `{"label":"rowan",`, 1), nil}, // the last one counts, and is what was bound
		"field twice, later":  {strings.Replace(document, `"salt"`, `"label":"rowan","salt"`, 1), ErrDamagedSlot},
		"another field":       {strings.Replace(document, "{", `{"more":1,`, 1), ErrDamagedSlot},
		"fractional version":  {strings.Replace(document, `"version": 2`, `"version": 2.0`, 1), ErrDamagedSlot},
		"huge number":         {strings.Replace(document, `"version": 2`, `"version": 1e99`, 1), ErrDamagedSlot},
		"too long":            {document + strings.Repeat(" ", MaxSlotDocument), ErrDamagedSlot},
		"deeply nested":       {strings.Repeat(`{"a":`, 9000) + "1" + strings.Repeat("}", 9000), ErrDamagedSlot},
		"nested beyond reach": {strings.Repeat("[", 20000), ErrDamagedSlot},
	} {
		if _, err := ParseSlot(s.ID(), []byte(c.document)); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", name, err, c.want)
		}
	}
	for _, id := range []SlotID{"", "0123456789abcdef", SlotID(strings.ToUpper(string(s.ID())))} {
		_, err := ParseSlot(id, []byte(document))
		var named *SlotError
		if !errors.Is(err, ErrDamagedSlot) || !errors.As(err, &named) || named.ID != id {
			t.Errorf("stored as %q: %v", id, err)
		}
	}
}

// A fitting checksum does not make up for fields of another form: what they
// say would not all be bound to the root key.
func TestForgedFieldsAreRefused(t *testing.T) {
	s := cheapSlot(t, NewKeyFile())
	for name, c := range map[string]struct {
		change func(slotFields)
		want   error
	}{
		"nothing":           {func(slotFields) {}, nil},
		"another field":     {func(f slotFields) { f["more"] = int64(1) }, ErrDamagedSlot},
		"field name's case": {func(f slotFields) { f["Label"] = f["label"]; delete(f, "label") }, ErrDamagedSlot},
		"second case":       {func(f slotFields) { f["Label"] = "rowan" }, ErrDamagedSlot},
		"missing field":     {func(f slotFields) { delete(f, "label") }, ErrDamagedSlot},
		"upper-case salt":   {func(f slotFields) { f["salt"] = strings.ToUpper(f["salt"].(string)) }, ErrDamagedSlot},
		"another time zone": {func(f slotFields) { f["made"] = "2026-03-14T02:03:00+00:00" }, ErrDamagedSlot},
		"text for number":   {func(f slotFields) { f["version"] = "1" }, ErrDamagedSlot},
		"list for text":     {func(f slotFields) { f["label"] = []any{"hazel"} }, ErrDamagedSlot},
	} {
		fields, err := s.doc.fields()
		if err != nil {
			t.Fatal(err)
		}
		c.change(fields)
		if fields["checksum"], err = fields.checksum(); err != nil {
			t.Fatal(err)
		}
		document, err := json.Marshal(fields)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := ParseSlot(s.ID(), document); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", name, err, c.want)
		}
	}
}

// What a later release might write is told from damage.
func TestLaterDocumentsAreNotDamaged(t *testing.T) {
	for name, c := range map[string]struct {
		fields slotFields
		want   error
	}{
		"version": {slotFields{"version": int64(3), "token": []any{"a", int64(1), nil, true}}, ErrUnknownSlotVersion},
		"kind":    {slotFields{"version": int64(1), "kind": "token", "token": map[string]any{"n": int64(-5)}}, ErrUnknownSlotKind},
	} {
		sum, err := c.fields.checksum()
		if err != nil {
			t.Fatal(err)
		}
		c.fields["checksum"] = sum
		document, err := json.Marshal(c.fields)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := ParseSlot("0123456789abcdef", document); !errors.Is(err, c.want) {
			t.Errorf("%s: %v", name, err)
		}
		for bit := range len(document) * 8 {
			if _, err := ParseSlot("0123456789abcdef", flip(document, bit)); !errors.Is(err, ErrDamagedSlot) {
				t.Fatalf("%s, bit %d: %v", name, bit, err)
			}
		}
	}
}

func TestUnlockAny(t *testing.T) {
	phrase, second, key := passphrase(t, "seed bank"), passphrase(t, "second"), NewKeyFile()
	stored := func(s *Slot) SlotDocument { return SlotDocument{ID: s.ID(), Document: marshal(t, s)} }
	first, other, byKey := stored(cheapSlot(t, phrase)), stored(cheapSlot(t, second)), stored(cheapSlot(t, key))
	damaged := SlotDocument{ID: first.ID, Document: flip(first.Document, 99)}
	costly := stored(forge(t, cheapSlot(t, phrase), func(d *slotDocument) { d.Argon2id.MemoryKiB = 2 << 20 }))
	foreign := stored(forge(t, cheapSlot(t, phrase), func(d *slotDocument) { d.Repository = NewRepositoryID() }))
	newKind := stored(forge(t, cheapSlot(t, phrase), func(d *slotDocument) { d.Kind = "token" }))
	newVersion := stored(forge(t, cheapSlot(t, phrase), func(d *slotDocument) { d.Version = 3 }))
	wiped := NewKeyFile()
	wiped.Wipe()

	for name, c := range map[string]struct {
		slots  []SlotDocument
		secret Secret
		opens  SlotID
		want   []error
	}{
		"first":                  {[]SlotDocument{first, other, byKey}, phrase, first.ID, nil},
		"second":                 {[]SlotDocument{first, other, byKey}, second, other.ID, nil},
		"key file":               {[]SlotDocument{first, other, byKey}, key, byKey.ID, nil},
		"beside every odd one":   {[]SlotDocument{damaged, costly, foreign, newKind, newVersion, other}, second, other.ID, nil},
		"wrong":                  {[]SlotDocument{first, other}, passphrase(t, "wrong"), "", []error{ErrWrongSecret}},
		"wrong, others' kinds":   {[]SlotDocument{first, byKey, newKind}, second, "", []error{ErrWrongSecret}},
		"wrong key file":         {[]SlotDocument{first, byKey}, NewKeyFile(), "", []error{ErrWrongSecret}},
		"its slot damaged":       {[]SlotDocument{damaged, other}, phrase, "", []error{ErrDamagedSlot}},
		"its slot costly":        {[]SlotDocument{costly, other}, phrase, "", []error{ErrSlotTooCostly}},
		"several":                {[]SlotDocument{damaged, foreign, newVersion}, phrase, "", []error{ErrDamagedSlot, ErrForeignSlot, ErrUnknownSlotVersion}},
		"none":                   {nil, phrase, "", []error{ErrNoSlot}},
		"none of the kind":       {[]SlotDocument{first, other}, key, "", []error{ErrNoSlot}},
		"a wiped key":            {[]SlotDocument{first, byKey}, wiped, "", []error{ErrEmptySecret}},
		"of a later kind, alone": {[]SlotDocument{newKind}, phrase, "", []error{ErrNoSlot}},
	} {
		t.Run(name, func(t *testing.T) {
			root, slot, err := UnlockAny(t.Context(), c.slots, c.secret, fixedRepo(), low())
			if c.opens != "" {
				if err != nil || slot.ID() != c.opens || !root.Equal(fixedRoot()) {
					t.Fatalf("slot %v, %v", slot, err)
				}
				return
			}
			if root != nil || slot != nil {
				t.Error("something opened")
			}
			for _, want := range c.want {
				if !errors.Is(err, want) {
					t.Errorf("%v, want %v", err, want)
				}
			}
			if c.want[0] != ErrWrongSecret && errors.Is(err, ErrWrongSecret) {
				t.Errorf("blames the secret: %v", err)
			}
			if c.want[0] == ErrDamagedSlot && !strings.Contains(err.Error(), string(damaged.ID)) {
				t.Errorf("does not name the damaged slot: %v", err)
			}
		})
	}

	stopped, stop := context.WithCancel(t.Context())
	stop()
	if _, _, err := UnlockAny(stopped, []SlotDocument{first}, phrase, fixedRepo(), low()); !errors.Is(err, context.Canceled) {
		t.Errorf("stopped: %v", err)
	}
}

func FuzzParseSlot(f *testing.F) {
	for _, secret := range secrets(f) {
		s := cheapSlot(f, secret)
		f.Add(string(s.ID()), marshal(f, s))
		first := cheapSlot1(f, secret)
		f.Add(string(first.ID()), marshal(f, first))
		later := forge(f, s, func(d *slotDocument) { d.Version = 3 })
		f.Add(string(s.ID()), marshal(f, later))
	}
	for _, v := range readSlotVectors(f) {
		f.Add(string(v.ID), []byte(v.Document))
	}
	f.Add("0123456789abcdef", []byte(`{"version":1,"checksum":""}`))
	keys, key, goldenKey := derive(f, fixedRoot(), fixedRepo()), NewKeyFile(), goldenKeyFile(f)
	// use does with an intact slot, whatever it says, what a reader does.
	use := func(t *testing.T, s *Slot) {
		if err := keys.CheckSlot(s); err == nil {
			t.Log("a slot of our making")
		} else if !errors.Is(err, ErrForgedSlot) && !errors.Is(err, ErrUnprovedSlot) {
			t.Errorf("its maker: %v", err)
		}
		for _, secret := range []Secret{key, goldenKey} {
			root, err := s.Unlock(secret, fixedRepo(), UnlockOptions{})
			if err == nil && !root.Equal(fixedRoot()) {
				t.Error("opens to another root key")
			}
		}
	}
	f.Fuzz(func(t *testing.T, id string, document []byte) {
		s, err := ParseSlot(SlotID(id), document)
		if err == nil {
			use(t, s)
			again, err := ParseSlot(s.ID(), marshal(t, s))
			if err != nil || !bytes.Equal(marshal(t, again), marshal(t, s)) {
				t.Errorf("does not come back: %v", err)
			}
			return
		}
		var named *SlotError
		if !errors.As(err, &named) || named.ID != SlotID(id) {
			t.Errorf("the error does not name the slot: %v", err)
		}
		if !errors.Is(err, ErrDamagedSlot) && !errors.Is(err, ErrUnknownSlotVersion) && !errors.Is(err, ErrUnknownSlotKind) {
			t.Errorf("an error of no kind: %v", err)
		}
		// The checksum stops most inputs: go on behind it.
		if fields, err := decodeFields(document); err == nil && fields != nil {
			sum, err := fields.checksum()
			if err != nil {
				return
			}
			fields["checksum"] = sum
			if fitting, err := json.Marshal(fields); err == nil {
				if s, err := ParseSlot(SlotID(id), fitting); err == nil {
					use(t, s)
				}
			}
		}
	})
}
