package store_test

import (
	"encoding/hex"
	"encoding/json"
	"errors"
	"os"
	"testing/fstest"
)

// slot2 follows section 4 for version 2, which the golden repository is older than.
func (e *example) slot2() error {
	const path = "crypt/testdata/slots2/key-file.json"
	b, err := os.ReadFile("../" + path)
	if err != nil {
		return err
	}
	var vector struct{ ID, Document string }
	if err := json.Unmarshal(b, &vector); err != nil {
		return err
	}
	var file, id []byte
	for i := range 32 {
		file = append(file, 0x40+byte(i))
	}
	for i := range 16 {
		id = append(id, 0xa0+byte(i))
	}
	name := "keyslots/" + vector.ID + ".json"
	r := &secondReader{id: id, fsys: fstest.MapFS{name: {Data: []byte(vector.Document)}}}
	_, slot, err := r.slotOf("key-file")
	if err != nil {
		return err
	}
	root, err := r.unsealSlot(name, slot, file)
	if err != nil {
		return err
	}
	salt, err1 := unhex(slot.Salt, 32)
	key, check, err2 := slot.keys(file, salt)
	keys, err3 := secondDerive(root, id)
	bound, err4 := r.slotFields(name, "sealed", "mac", "checksum")
	if err := errors.Join(err1, err2, err3, err4); err != nil {
		return err
	}
	e.text("### A key slot of version 2")
	e.text("")
	e.text("The golden repository is older. The document in `%s` is of the repository", path)
	e.text("%x:", id)
	e.lines(
		"key file      "+hex.EncodeToString(file),
		"salt          "+slot.Salt,
		"slot key      "+hex.EncodeToString(key),
		"check         "+check,
		"nonce         "+slot.Nonce,
		"sealed        "+slot.Sealed[:64],
		"              "+slot.Sealed[64:],
		"root key      "+hex.EncodeToString(root),
		"key slot key  "+hex.EncodeToString(keys.slots),
		"mac           "+slot.MAC,
	)
	e.text("The additional data is `kist 1 key slot` LF and this record, %s. The MAC is", shortBytes(bound))
	e.text("over the same text and the same record with `sealed`, the checksum over the record with `sealed` and `mac`.")
	return e.record(bound)
}
