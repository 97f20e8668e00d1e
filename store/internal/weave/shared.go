package weave

import (
	"bytes"
	"context"
	"io"
	"sort"

	"github.com/kistarchive/kist/store/internal/known"
)

// Shared is a part that two streams have alike.
type Shared struct{ A, B, Len uint64 }

// sharing are parts that two streams have alike, in the order of the second one, none of which goes on as the one
// before it.
type sharing []Shared

func (s *sharing) add(part Shared) {
	if k := len(*s) - 1; k >= 0 && (*s)[k].A+(*s)[k].Len == part.A && (*s)[k].B+(*s)[k].Len == part.B {
		(*s)[k].Len += part.Len
	} else if part.Len > 0 {
		*s = append(*s, part)
	}
}

// SharedParts gives the parts of b that a has, too, in the order of b: by their chunks, and of what lies between two such
// parts in both, by the bytes. For a chunk that changed holds hundreds of members, most of which did not. Of a part that a
// has several times, it is one of them.
func SharedParts(ctx context.Context, a, b *Laid) []Shared {
	var all sharing
	at := Shared{}
	for _, next := range append(sharedChunks(a, b), Shared{A: a.Len(), B: b.Len()}) {
		addBetween(ctx, &all, a, b, at, next)
		all.add(next)
		at = next
	}
	return all
}

// sharedChunks gives the parts that are alike by their chunks.
func sharedChunks(a, b *Laid) (parts sharing) {
	places := make(map[known.Ref]int, len(a.refs))
	for i, ref := range a.refs {
		if _, ok := places[ref]; !ok {
			places[ref] = i
		}
	}
	last := -1 // in a; -1: none goes on
	for j, ref := range b.refs {
		if last++; last == 0 || last == len(a.refs) || a.refs[last] != ref {
			i, ok := places[ref]
			if !ok {
				last = -1
				continue
			}
			last = i
		}
		parts.add(Shared{a.starts[last], b.starts[j], b.starts[j+1] - b.starts[j]})
	}
	return parts
}

const (
	// maxBetween is the longest stretch that is compared by its bytes.
	maxBetween = 1 << 20
	// leastShared is how long a part must be that stands by itself: some members' worth.
	leastShared = 512
)

// addBetween adds what is alike behind one part and before another. What can't be read is left to whoever needs it.
func addBetween(ctx context.Context, all *sharing, a, b *Laid, from, to Shared) {
	beginA, beginB := from.A+from.Len, from.B+from.Len
	if to.A <= beginA || to.A-beginA > maxBetween || to.B <= beginB || to.B-beginB > maxBetween {
		return
	}
	inA, inB := make([]byte, to.A-beginA), make([]byte, to.B-beginB)
	if a.readAt(ctx, inA, beginA) != nil || b.readAt(ctx, inB, beginB) != nil {
		return
	}
	for _, part := range sharedBytes(inA, inB) {
		all.add(Shared{beginA + part.A, beginB + part.B, part.Len})
	}
}

// readAt fills p from a place on.
func (l *Laid) readAt(ctx context.Context, p []byte, at uint64) error {
	in := l.From(ctx, at)
	defer in.Close()
	_, err := io.ReadFull(in, p)
	return err
}

// sharedBytes gives the parts that stand in two stretches as far from the beginning, and where one is longer than the
// other, as far from the end.
func sharedBytes(a, b []byte) (parts sharing) {
	n := min(len(a), len(b))
	for i := 0; i < n; {
		same := alike(a[i:n], b[i:n])
		if same >= leastShared || i == 0 || i+same == n && len(a) == len(b) {
			parts.add(Shared{uint64(i), uint64(i), uint64(same)})
		}
		i += same
		if len(a) != len(b) {
			break
		}
		for i < n && a[i] != b[i] {
			i++
		}
	}
	if len(a) == len(b) {
		return parts
	}
	rest := n
	if len(parts) > 0 {
		rest -= int(parts[0].Len)
	}
	same := 0
	for same < rest && a[len(a)-1-same] == b[len(b)-1-same] {
		same++
	}
	parts.add(Shared{uint64(len(a) - same), uint64(len(b) - same), uint64(same)})
	return parts
}

// alike gives how many bytes two stretches of one length begin with alike.
func alike(a, b []byte) (n int) {
	const step = 256
	for len(a)-n >= step && bytes.Equal(a[n:n+step], b[n:n+step]) {
		n += step
	}
	for n < len(a) && a[n] == b[n] {
		n++
	}
	return n
}

// Shares gives the part that has a place of b, or none.
func Shares(parts []Shared, at uint64) (Shared, bool) {
	i := sort.Search(len(parts), func(i int) bool { return parts[i].B+parts[i].Len > at })
	if i == len(parts) || parts[i].B > at {
		return Shared{}, false
	}
	return parts[i], true
}
