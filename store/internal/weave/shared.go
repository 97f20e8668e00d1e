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

// leastShared is how long a part must be that stands by itself: some members' worth.
const leastShared = 512

// readable is a stream that is read from any place on, as Laid is.
type readable interface {
	From(ctx context.Context, at uint64) io.ReadCloser
}

// addBetween adds what is alike behind one part and before another: what stands as far behind the first, and where
// something was put in or taken out, as far before the second.
func addBetween(ctx context.Context, all *sharing, a, b readable, from, to Shared) {
	beginA, beginB := from.A+from.Len, from.B+from.Len
	if to.A <= beginA || to.B <= beginB {
		return
	}
	n := min(to.A-beginA, to.B-beginB)
	addAligned(ctx, all, a, b, Shared{beginA, beginB, n})
	if to.A-beginA == to.B-beginB {
		return
	}
	for k := len(*all) - 1; k >= 0 && (*all)[k].Len < leastShared && (*all)[k].B > beginB; k-- {
		*all = (*all)[:k] // alike by chance, it would stand in the way of what is behind
	}
	if k := len(*all) - 1; k >= 0 {
		last := (*all)[k]
		beginA, beginB = max(beginA, last.A+last.Len), max(beginB, last.B+last.Len)
		n = min(to.A-beginA, to.B-beginB)
	}
	addAligned(ctx, all, a, b, Shared{to.A - n, to.B - n, n})
}

// addAligned adds what is alike of two stretches of one length. What can't be read is left to whoever needs it.
func addAligned(ctx context.Context, all *sharing, a, b readable, of Shared) {
	inA, inB := a.From(ctx, of.A), b.From(ctx, of.B)
	defer inA.Close()
	defer inB.Close()
	const window = 128 << 10
	bytesA, bytesB := make([]byte, min(window, of.Len)), make([]byte, min(window, of.Len))
	for at := uint64(0); at < of.Len; at += window {
		n := min(window, of.Len-at)
		if _, err := io.ReadFull(inA, bytesA[:n]); err != nil {
			return
		}
		if _, err := io.ReadFull(inB, bytesB[:n]); err != nil {
			return
		}
		for _, part := range sharedBytes(bytesA[:n], bytesB[:n]) {
			all.add(Shared{of.A + at + part.A, of.B + at + part.B, part.Len})
		}
	}
}

// sharedBytes gives the parts that are alike of two stretches of one length: long ones, and those at the ends, which may
// go on.
func sharedBytes(a, b []byte) (parts sharing) {
	for i := 0; i < len(a); {
		same := alike(a[i:], b[i:])
		if same >= leastShared || i == 0 || i+same == len(a) {
			parts.add(Shared{uint64(i), uint64(i), uint64(same)})
		}
		for i += same; i < len(a) && a[i] != b[i]; i++ {
		}
	}
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
