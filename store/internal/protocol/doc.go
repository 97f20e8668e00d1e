// Package protocol holds no code that anything uses. Its tests check, by trying
// every order of the steps, the protocol by which space is reclaimed beside
// writers: an explicit-state model, searched breadth first.
//
// # What is modelled
//
// Two writers, one or two reclaimers of up to three runs each, and an operator
// who retires a capture, undoes it, holds it and releases it. One step is one
// request to the storage: put, remove, list a folder, read; reading the objects
// of a small folder goes with listing it. Every actor may crash before every
// step: its lease and all that it put stay, and the next run of a reclaimer goes
// on from the objects alone.
//
//   - A capture K0 is there from the start, or only its slabs are. It needs chunk
//     a from slab A and chunk b from slab B. A further capture, K3, may have been
//     retired long ago. Each writer's capture needs both chunks: it takes each
//     from any slab that it knows, and stores the rest in a slab of its own.
//   - A writer lists slabs; or it lists captures, and takes what they need for there, and
//     then asks for slabs that none of them needs. Which of the captures it lists, and when it
//     reads tables, makes no difference: it relies on nothing by either alone.
//   - Up to two batches are announced, condemned and removed, at the same time or
//     one after the other. A run may take any of the steps that it finds possible,
//     in any order, and leave out any.
//   - Slab A may hold a dead chunk: then the reclaimer may put the rest as slab M,
//     and the next generation of K0's index file.
//   - A writer's slab may stand on another one that it knows, that of the other writer among
//     them. Who needs it needs that. A writer takes no slab for known whose base it does not know.
//   - Time is not counted. Whenever a reclaimer lists leases, each may turn out to
//     be dead; whenever it reads a retired mark, the grace time may be over. Each
//     lease knows after which final marks it began.
//   - Where the medium's clock jumps, a reclaimer may take any lease for dead, and its
//     owner does not know. It removes such leases before the final mark; writers and the
//     operator look at final marks and then at their lease after what they put, and
//     report success only then. Elsewhere those looks would find nothing, and are left out.
//   - An undo is one step: it counts from the mark that says so; that the retired mark
//     goes after it changes nothing. The same holds for a release.
//   - Where listings may be late, whatever another actor put or removed may be
//     listed as before, each object for itself, until a wait is over that began
//     after it: a wait stands for the longest delay.
//
// # What is assumed
//
//   - A step that follows a look at the own lease (a commit, a removed or new mark,
//     a removal) comes so soon after it that nobody finds the lease dead before:
//     the look asks for less than half a lease's life, the step takes less than the
//     other half. TestBrokenRules drops this once and finds a capture without its
//     slabs.
//   - Names are never used again, and to put what is there fails.
//   - A run of the reclaimer sees all marks in condemned/, also where listings may
//     be late: to put a mark that is there already tells it so.
//
// Not modelled: that a writer's capture is retired, more than two writers, readers
// while something is removed; with a clock that jumps, crashes (a writer that dies
// between its commit and its look leaves a capture that may lack slabs) and a second
// reclaimer.
//
// # The invariants
//
// In every state: a capture that is listed has all slabs that its highest
// generation needs, whether it is to be removed or not, unless its writer still looks
// whether to take it back; a writer that reported
// success has its capture there; undoing and holding that reported success are not
// followed by the capture's removal, nor reported once it is gone; a capture is
// removed only if it had been retired for the grace time and is not held; none
// vanishes without being in a .gone mark. And from every state in which the others
// have ended, runs of the reclaimer alone free every slab that no capture needs,
// remove every capture retired for the grace time, and leave no mark in condemned/
// but .gone.
//
// # What was seen
//
// TestProtocol: thirty-seven searches of together about 5.2 million states, the longest
// path 61 steps, no invariant broken. That with two writers whose slabs stand on others, and
// a clock that jumps, found that a writer must look whether what the slabs stand on goes that
// it relies on, not only what its own slab does. TestLarger with two runs of each reclaimer:
// 914,053 states with two writers, 800,248 with a writer and an operator, 1,155,711
// with rewriting, 2,731,820 with late listings, 20,939,626 with two reclaimers and
// a writer, and 29,785,088 with two that rewrite. Every rule that
// TestBrokenRules breaks is noticed, within 11 to 40 steps.
package protocol
