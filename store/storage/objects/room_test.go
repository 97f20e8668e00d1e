package objects

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"io"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// TestRoom: however contents begin, grow and end, those that are filled together never hold more than there is, the first one gets all that
// it may need once what is sent has gone, and all of it is there again at the end.
func TestRoom(t *testing.T) {
	before := flag.Lookup("rapid.checks").Value.String()
	flag.Set("rapid.checks", "100") // they take nothing, and those of all others here much
	defer flag.Set("rapid.checks", before)
	rapid.Check(t, func(t *rapid.T) {
		most := rapid.IntRange(1, 5).Draw(t, "most")
		total := most + rapid.IntRange(0, 8).Draw(t, "more")
		r := newRoom(total, most)
		var filling, sent []*body
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			i := rapid.IntRange(0, 3).Draw(t, "content")
			if i >= len(filling) {
				i = len(filling)
				filling = append(filling, &body{room: r})
			}
			switch b := filling[i]; rapid.IntRange(0, 5).Draw(t, "step") {
			default:
				if b.held == most {
					continue
				}
				if block, _ := r.tryTake(b); block != nil {
					b.blocks = append(b.blocks, block)
				}
			case 4:
				r.filled(b)
				sent = append(sent, b)
				filling = append(filling[:i:i], filling[i+1:]...)
			case 5:
				if len(sent) > 0 {
					r.giveBack(sent[0], sent[0].blocks)
					sent = sent[1:]
				}
			}
			if got := heldBy(filling) + heldBy(sent); got > total || got != total-r.left {
				t.Fatalf("%d blocks are held of %d, and %d are left", got, total, r.left)
			}
		}
		for _, b := range sent {
			r.giveBack(b, b.blocks)
		}
		for len(filling) > 0 { // each can be filled in its turn, though the others stay as they are
			b := filling[0]
			if len(r.filling) > 0 {
				b = r.filling[0]
			}
			for b.held < most {
				block, _ := r.tryTake(b)
				if block == nil {
					t.Fatalf("a content with %d of %d blocks waits for others that wait: %d are left", b.held, most, r.left)
				}
				b.blocks = append(b.blocks, block)
			}
			r.filled(b)
			r.giveBack(b, b.blocks)
			for i := range filling {
				if filling[i] == b {
					filling = append(filling[:i:i], filling[i+1:]...)
					break
				}
			}
		}
		if r.left != total || r.spare != nil || len(r.filling) > 0 {
			t.Errorf("at the end %d of %d blocks are left, %d are kept, and %d contents are being filled", r.left, total, len(r.spare), len(r.filling))
		}
	})
}

func heldBy(bodies []*body) (n int) {
	for _, b := range bodies {
		n += len(b.blocks)
	}
	return n
}

// TestRoomIsUsedAgain: blocks that come back are the next ones, while something is held.
func TestRoomIsUsedAgain(t *testing.T) {
	r := newRoom(3, 2)
	a, b := &body{room: r}, &body{room: r}
	first, _ := r.tryTake(a)
	r.tryTake(b)
	r.filled(a)
	r.giveBack(a, [][]byte{first})
	if second, _ := r.tryTake(b); &second[0] != &first[0] {
		t.Error("what came back is not used again")
	}
}

// TestBodiesWait: contents that are filled by several goroutines all get their memory, and their bytes come out as they went in; one that is
// given up waits no longer.
func TestBodiesWait(t *testing.T) {
	r := newRoom(mostBlocks, mostBlocks)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute) // where two wait for each other it would be for ever
	defer cancel()
	var all sync.WaitGroup
	for i := range 6 {
		all.Go(func() {
			want := bytes.Repeat([]byte{byte(i + 1)}, 12<<20+i)
			b := &body{room: r}
			defer b.empty()
			if err := b.fill(ctx, bytes.NewReader(want)); err != io.EOF {
				t.Errorf("content %d: %v", i, err)
				return
			}
			memory := -smallSize // which does not count
			for _, block := range b.blocks {
				memory += cap(block)
			}
			if memory != b.held*blockSize {
				t.Errorf("content %d has %d bytes of memory, and %d blocks count", i, memory, b.held)
			}
			got, err := io.ReadAll(io.NewSectionReader(b, 0, b.Size()))
			if err != nil || !bytes.Equal(got, want) {
				t.Errorf("content %d: %d bytes, %v", i, len(got), err)
			}
		})
	}
	all.Wait()
	if r.left != mostBlocks || r.spare != nil {
		t.Errorf("%d blocks are left, and %d kept", r.left, len(r.spare))
	}
	full := &body{room: r}
	for range mostBlocks {
		block, _ := r.tryTake(full)
		full.blocks = append(full.blocks, block)
	}
	cancel()
	b := &body{room: r}
	if err := b.fill(ctx, bytes.NewReader(make([]byte, blockSize))); !errors.Is(err, context.Canceled) {
		t.Errorf("a content that was given up: %v", err)
	}
	b.empty()
	r.giveBack(full, full.blocks)
	if r.left != mostBlocks || len(r.filling) != 1 {
		t.Errorf("%d blocks are left, and %d contents are being filled", r.left, len(r.filling))
	}
}
