package crypt_test

import (
	"context"
	"errors"
	"fmt"
	"log"
	"time"

	"github.com/kistarchive/kist/crypt"
)

// A new repository's root key is guarded by a slot, found again with the
// secret, and seals an object.
func Example() {
	repo, root, keyFile := crypt.NewRepositoryID(), crypt.NewRootKey(), crypt.NewKeyFile()
	slot, err := crypt.NewSlot(root, repo, keyFile, crypt.SlotOptions{
		Label: "nightly timer on hazel",
		Made:  time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC),
	})
	if err != nil {
		log.Fatal(err)
	}
	document, err := slot.Marshal()
	if err != nil {
		log.Fatal(err)
	}

	// Later, from the stored document:
	slot, err = crypt.ParseSlot(slot.ID(), document)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("a %s slot: %s\n", slot.Kind(), slot.Label())
	root, err = slot.Unlock(keyFile, repo, crypt.UnlockOptions{})
	if err != nil {
		log.Fatal(err)
	}
	keys, err := root.Derive(repo)
	if err != nil {
		log.Fatal(err)
	}

	name := crypt.ObjectName{Repository: repo, Kind: "slab", Name: "k7f3"}
	frame := crypt.Piece{Kind: crypt.PieceFrame, Number: 0}
	sealer, kind, wrapped, err := keys.NewSealer(name)
	if err != nil {
		log.Fatal(err)
	}
	sealed := sealer.Seal(nil, []byte("Papaver rhoeas, 40 g"), frame)

	opener, err := keys.NewOpener(name, kind, wrapped)
	if err != nil {
		log.Fatal(err)
	}
	opened, err := opener.Open(nil, sealed, frame)
	fmt.Printf("%s %v\n", opened, err)

	frame.Number = 1
	_, err = opener.Open(nil, sealed, frame)
	fmt.Println(err)
	fmt.Println(root, keys)
	// Output:
	// a key-file slot: nightly timer on hazel
	// Papaver rhoeas, 40 g <nil>
	// slab k7f3: frame 1: damaged, or not in the place it was sealed for
	// [secret] [secret]
}

// A wrong passphrase and a damaged slot are two different errors.
func ExampleUnlockAny() {
	ctx := context.Background()
	repo := crypt.NewRepositoryID()
	passphrase, err := crypt.NewPassphrase([]byte("poppy barley sorrel flax"))
	if err != nil {
		log.Fatal(err)
	}
	defer passphrase.Wipe()
	slot, err := crypt.NewSlot(crypt.NewRootKey(), repo, passphrase, crypt.SlotOptions{Made: time.Now()})
	if err != nil {
		log.Fatal(err)
	}
	document, err := slot.Marshal()
	if err != nil {
		log.Fatal(err)
	}
	stored := []crypt.SlotDocument{{ID: slot.ID(), Document: document}}

	wrong, err := crypt.NewPassphrase([]byte("poppy barley sorrel flex"))
	if err != nil {
		log.Fatal(err)
	}
	for _, p := range []*crypt.Passphrase{passphrase, wrong} {
		_, _, err := crypt.UnlockAny(ctx, stored, p, repo, crypt.UnlockOptions{})
		fmt.Println(err)
	}
	document[20] ^= 1
	_, _, err = crypt.UnlockAny(ctx, stored, wrong, repo, crypt.UnlockOptions{})
	fmt.Println(errors.Is(err, crypt.ErrDamagedSlot), errors.Is(err, crypt.ErrWrongSecret))
	// Output:
	// <nil>
	// this passphrase opens none of the key slots (1 tried): wrong passphrase or key file
	// true false
}
