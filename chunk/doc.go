// Package chunk cuts a content into chunks whose ends depend on the bytes
// around them and on nothing else, so that an insertion or a deletion changes
// the chunks near it and leaves the others as they were.
//
// A content is cut where the fingerprint of the last 64 bytes ends in zero
// bits. The fingerprints are those of Michael O. Rabin, "Fingerprinting by
// Random Polynomials" (Harvard Aiken Computation Laboratory, TR-15-81, 1981),
// and the ends are those that github.com/restic/chunker finds, byte for byte. A
// [Cutter] pulls chunks out of a reader, a [Writer] is written to; both find
// the same ends.
//
// # Search
//
// Whether a content may be cut at a place depends on the 64 bytes before it
// alone, as no chunk is shorter than that. So a Cutter first searches all it has
// read for such places, in four lanes at a time, each of which rolls a
// fingerprint of its own: in a single one each step waits for a table look-up of
// the step before. Then it chooses among the places, by the lengths allowed. A
// chunk that is known already need not be searched: see [Cutter.Take].
//
// # Lengths
//
// Let A be [Params.Average], p = 1/A, m = A/4 the shortest and M = 4A the
// longest length. The library tests the position behind every byte from m to
// M-1, each with the probability p on random bytes, and cuts at M whatever the
// bytes are. It skips the bytes before m but for the last 64, with which it
// fills its window: the first fingerprint tested, at m itself, is thus one of
// 64 bytes of this chunk like any other, nothing is left in it of the chunk
// before, and no two chunks' windows overlap. So on random bytes lengths are
// independent, and follow a geometric distribution shifted to m and truncated
// at M:
//
//	P(L = m+k) = p(1-p)^k        for 0 <= k < M-m
//	P(L = M)   = (1-p)^(M-m)
//	P(L <= x)  = 1-(1-p)^(x-m+1) for m <= x < M
//	E(L)       = m + (1-p)/p * (1-(1-p)^(M-m))
//
// With q = e^-3.75 this comes to a mean of A*(1/4+1-q) = 1.226 A, a median of
// 0.943 A, and a share of q = 2.35 % of the chunks cut at the limit. A content
// of at most m bytes is one chunk, and no fingerprint of it is computed. Zeros
// have the fingerprint zero: a run of them is cut into chunks of m bytes.
package chunk
