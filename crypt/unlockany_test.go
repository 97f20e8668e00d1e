package crypt

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
)

// counted is a passphrase that notes what it is asked to derive, and derives nothing of
// that cost.
type counted struct {
	*Passphrase
	asked []Cost
}

func (c *counted) stretch(salt []byte, cost Cost) (*[keySize]byte, error) {
	c.asked = append(c.asked, cost)
	return c.Passphrase.stretch(salt, cheap)
}

func (c *counted) slotKey(salt []byte, cost Cost) (*[keySize]byte, error) {
	return c.stretch(salt, cost)
}

func (c *counted) work() (sum int64) {
	for _, cost := range c.asked {
		sum += cost.Work()
	}
	return sum
}

// costing gives a slot that says it has a cost, under the secret as counted derives.
func costing(t testing.TB, c *counted, cost Cost) SlotDocument {
	t.Helper()
	s := forge(t, cheapSlot(t, c.Passphrase), func(d *slotDocument) {
		d.Argon2id = &cost
		if err := d.seal(fixedRoot(), &counted{Passphrase: c.Passphrase}); err != nil {
			t.Fatal(err)
		}
	})
	return SlotDocument{ID: s.ID(), Document: marshal(t, s)}
}

func times(n int, make func() SlotDocument) (slots []SlotDocument) {
	for range n {
		slots = append(slots, make())
	}
	return slots
}

// Whoever can write to the repository puts slots there. What opening costs stays
// bounded, guesses at a low cost are not tried, and the slot that is ours is found.
func TestUnlockAnyAmongForgedSlots(t *testing.T) {
	ours, theirs := &counted{Passphrase: passphrase(t, "seed bank")}, &counted{Passphrase: passphrase(t, "guess")}
	usual := DefaultCost()
	good := costing(t, ours, usual)
	dear := costing(t, ours, Cost{512 << 10, 4, 4})
	guess := func() SlotDocument { return costing(t, theirs, usual) }
	cheapOnes := func(c Cost) func() SlotDocument { return func() SlotDocument { return costing(t, ours, c) } }
	huge := costing(t, theirs, Cost{1 << 20, 64, 4})
	many := times(70, guess)

	for name, c := range map[string]struct {
		slots   []SlotDocument
		options UnlockOptions
		opens   SlotID
		want    error
		tried   int // at most
	}{
		"cheap slots are not tried":   {times(200, cheapOnes(cheap)), UnlockOptions{}, "", ErrSlotTooCheap, 0},
		"beside cheap slots":          {append(times(200, cheapOnes(cheap)), good), UnlockOptions{}, good.ID, nil, 1},
		"less memory than the floor":  {times(1, cheapOnes(Cost{64<<10 - 1, 64, 4})), UnlockOptions{}, "", ErrSlotTooCheap, 0},
		"fewer passes than the floor": {times(1, cheapOnes(Cost{1 << 20, 2, 4})), UnlockOptions{}, "", ErrSlotTooCheap, 0},
		"fewer lanes than the floor":  {times(1, cheapOnes(Cost{1 << 20, 3, 3})), UnlockOptions{}, "", ErrSlotTooCheap, 0},
		"wrong, beside cheap slots":   {append(times(2, cheapOnes(cheap)), guess()), UnlockOptions{}, "", ErrWrongSecret, 1},
		"wrong, cheap and costly":     {append(times(2, cheapOnes(cheap)), guess(), huge), UnlockOptions{}, "", ErrSlotTooCheap, 1},
		"a floor of one's own":        {times(1, cheapOnes(cheap)), UnlockOptions{Floor: Cost{8, 1, 1}}, "any", nil, 1},
		"a higher floor":              {[]SlotDocument{good}, UnlockOptions{Floor: Cost{64 << 10, 4, 4}}, "", ErrSlotTooCheap, 0},
		"the costly one last":         {[]SlotDocument{huge, dear, good}, UnlockOptions{}, good.ID, nil, 1},
		"a costly one alone":          {[]SlotDocument{huge}, UnlockOptions{}, "", ErrSlotTooCostly, 0},
		"a costly one allowed":        {[]SlotDocument{huge}, UnlockOptions{MaxWork: 1 << 40}, "", ErrWrongSecret, 1},
		"costly ones together":        {times(20, func() SlotDocument { return costing(t, theirs, Cost{1 << 20, 4, 4}) }), UnlockOptions{}, "", ErrSlotTooCostly, 3},
		"65 slots":                    {many[:65], UnlockOptions{}, "", ErrTooManySlots, 64},
		"64 slots":                    {many[:64], UnlockOptions{}, "", ErrWrongSecret, 64},
		"ours behind 70 others":       {append(slices.Clone(many), good), UnlockOptions{}, "", ErrTooManySlots, 64},
		"ours first, behind 70":       {append(slices.Clone(many), good), UnlockOptions{First: good.ID}, good.ID, nil, 1},
		"ours first, though costly":   {[]SlotDocument{good, dear}, UnlockOptions{First: dear.ID}, dear.ID, nil, 1},
		"the first is too costly":     {[]SlotDocument{huge, good}, UnlockOptions{First: huge.ID}, good.ID, nil, 1},
		"the first is not there":      {[]SlotDocument{good}, UnlockOptions{First: "0123456789abcdef"}, good.ID, nil, 1},
		"one that was not read":       {[]SlotDocument{{Err: ErrTooManySlots}, many[0]}, UnlockOptions{}, "", ErrTooManySlots, 1},
		"one not read beside ours":    {[]SlotDocument{{Err: ErrTooManySlots}, good}, UnlockOptions{}, good.ID, nil, 1},
		"little memory":               {[]SlotDocument{dear}, UnlockOptions{Available: 1<<30 - 1}, "", ErrSlotTooCostly, 0},
		"just enough memory":          {[]SlotDocument{dear}, UnlockOptions{Available: 1 << 30}, dear.ID, nil, 1},
		"hardly any memory":           {[]SlotDocument{good}, UnlockOptions{Available: 1 << 20}, good.ID, nil, 1},
		"memory by word":              {[]SlotDocument{dear}, UnlockOptions{Available: 1 << 20, MaxMemory: 1 << 30}, dear.ID, nil, 1},
		"more than 1 GiB":             {times(1, func() SlotDocument { return costing(t, ours, Cost{1<<20 + 1, 3, 4}) }), UnlockOptions{Available: 1 << 40}, "", ErrSlotTooCostly, 0},
	} {
		t.Run(name, func(t *testing.T) {
			secret := &counted{Passphrase: ours.Passphrase}
			root, slot, err := UnlockAny(t.Context(), c.slots, secret, fixedRepo(), c.options)
			if len(secret.asked) > c.tried {
				t.Errorf("%d keys derived, at most %d should be", len(secret.asked), c.tried)
			}
			if most := max(c.options.MaxWork, DefaultMaxWork); secret.work() > most {
				t.Errorf("work %d, more than %d", secret.work(), most)
			}
			if c.opens != "" {
				if err != nil || c.opens != "any" && slot.ID() != c.opens || !root.Equal(fixedRoot()) {
					t.Fatalf("slot %v, %v", slot, err)
				}
				return
			}
			if root != nil || !errors.Is(err, c.want) || c.want != ErrWrongSecret && errors.Is(err, ErrWrongSecret) {
				t.Fatalf("%v, want %v", err, c.want)
			}
			if n := strings.Count(err.Error(), "\n"); n > maxSlotErrors {
				t.Errorf("a text of %d lines", n+1)
			}
		})
	}
}

// Of slots of the same cost, one of version 1 is tried first: one that was made anew,
// and not removed because that was stopped, is seen and removed.
func TestOlderVersionIsTriedFirst(t *testing.T) {
	phrase := passphrase(t, "seed bank")
	old := cheapSlot1(t, phrase)
	renewed, err := old.Renewed(fixedRoot(), phrase)
	if err != nil {
		t.Fatal(err)
	}
	slots := []SlotDocument{{ID: renewed.ID(), Document: marshal(t, renewed)}, {ID: old.ID(), Document: marshal(t, old)}}
	_, opened, err := UnlockAny(t.Context(), slots, phrase, fixedRepo(), low())
	if err != nil || opened.ID() != old.ID() {
		t.Errorf("opened %v, %v", opened, err)
	}
}

// A slot that opens, but whose root key is not the repository's, is passed over.
func TestUnlockAnyChecksTheRootKey(t *testing.T) {
	phrase := passphrase(t, "seed bank")
	ours := cheapSlot(t, phrase)
	forged, err := newSlot(NewRootKey(), fixedRepo(), phrase, SlotOptions{Cost: cheap})
	if err != nil {
		t.Fatal(err)
	}
	refused := errors.New("not ours")
	o := low()
	o.Check = func(root *RootKey) error {
		if !root.Equal(fixedRoot()) {
			return fmt.Errorf("the seal: %w", refused)
		}
		return nil
	}
	documents := []SlotDocument{{ID: forged.ID(), Document: marshal(t, forged)}, {ID: ours.ID(), Document: marshal(t, ours)}}
	root, slot, err := UnlockAny(t.Context(), documents, phrase, fixedRepo(), o)
	if err != nil || slot.ID() != ours.ID() || !root.Equal(fixedRoot()) {
		t.Errorf("slot %v, %v", slot, err)
	}
	root, _, err = UnlockAny(t.Context(), documents[:1], phrase, fixedRepo(), o)
	if root != nil || !errors.Is(err, refused) || errors.Is(err, ErrWrongSecret) {
		t.Errorf("the forged one alone: %v", err)
	}
}
