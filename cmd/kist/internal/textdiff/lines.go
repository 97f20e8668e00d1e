package textdiff

import (
	"bytes"
	"slices"
	"strings"

	"github.com/aymanbagabas/go-udiff/lcs"
)

// Span is some lines of a text that follow each other, counted from 0.
type Span struct{ From, To int } // To is behind the last one

// Len is how many lines they are.
func (s Span) Len() int { return s.To - s.From }

// Change is lines of one text that stand in the place of lines of the other. Either may be none.
type Change struct{ Was, Is Span }

// Hunk is changes that are near each other, with the lines around them.
type Hunk struct {
	Was, Is Span
	Changes []Change
}

// Difference is how two texts differ, by their lines.
type Difference struct {
	Was, Is []string // the lines of both, each with its line feed
	Hunks   []Hunk
}

// around is how many lines a hunk has before and behind its changes, as with diff -u.
const around = 3

// Compare finds how two texts differ. What it finds may not be the least: for texts of n lines it takes time by
// n log n, and a little more for each stretch that has changes, and memory for some words a line.
func Compare(was, is []byte) *Difference {
	d := &Difference{Was: linesOf(was), Is: linesOf(is)}
	for _, c := range d.changes() {
		if n := len(d.Hunks); n > 0 && c.Was.From-d.Hunks[n-1].Was.To <= around { // its end is as far behind the last change
			h := &d.Hunks[n-1]
			h.Changes = append(h.Changes, c)
			d.end(h)
			continue
		}
		before := min(around, c.Was.From, c.Is.From)
		h := Hunk{Was: Span{From: c.Was.From - before}, Is: Span{From: c.Is.From - before}, Changes: []Change{c}}
		d.end(&h)
		d.Hunks = append(d.Hunks, h)
	}
	return d
}

func linesOf(text []byte) []string {
	lines := make([]string, 0, bytes.Count(text, []byte("\n"))+1)
	return slices.AppendSeq(lines, strings.Lines(string(text)))
}

// end has a hunk end behind its last change.
func (d *Difference) end(h *Hunk) {
	c := h.Changes[len(h.Changes)-1]
	behind := min(around, len(d.Was)-c.Was.To, len(d.Is)-c.Is.To)
	h.Was.To, h.Is.To = c.Was.To+behind, c.Is.To+behind
}

// Count gives how many lines came, and how many went.
func (d *Difference) Count() (came, went int) {
	for _, h := range d.Hunks {
		for _, c := range h.Changes {
			came, went = came+c.Is.Len(), went+c.Was.Len()
		}
	}
	return came, went
}

// changes finds the changes in their order. Lines that each text has once are held together first, as in Bram Cohen's
// patience difference (from memory); what lies between them is mostly short, and searched as a whole.
func (d *Difference) changes() (all []Change) {
	at := Change{}
	for _, a := range append(d.anchors(), [2]int{len(d.Was), len(d.Is)}) {
		at.Was.To, at.Is.To = a[0], a[1]
		all = d.between(all, at)
		at.Was.From, at.Is.From = a[0], a[1] // the line itself is found to be the same
	}
	return all
}

// anchors gives the numbers of lines that each text has once, as many as come in one order in both.
func (d *Difference) anchors() [][2]int {
	const none, several = -1, -2
	places := make(map[string]*[2]int)
	for side, lines := range [][]string{d.Was, d.Is} {
		for n, line := range lines {
			at := places[line]
			switch {
			case at == nil && side == 0:
				places[line] = &[2]int{n, none}
			case at == nil: // the other text has none
			case at[side] == none:
				at[side] = n
			default:
				at[side] = several
			}
		}
	}
	var pairs [][2]int
	for n, line := range d.Was {
		if at := places[line]; at[0] == n && at[1] >= 0 {
			pairs = append(pairs, *at)
		}
	}
	return ascending(pairs)
}

// ascending gives a longest part of pairs, which ascend by their first number, that ascends by the second one as well
// (Schensted, Longest increasing and decreasing subsequences, 1961; from memory).
func ascending(pairs [][2]int) [][2]int {
	var ends []int // by length - 1: the pair with the least second number that ends a part of that length
	before := make([]int, len(pairs))
	for i, p := range pairs {
		n, _ := slices.BinarySearchFunc(ends, p[1], func(end, second int) int { return pairs[end][1] - second })
		if before[i] = -1; n > 0 {
			before[i] = ends[n-1]
		}
		if n == len(ends) {
			ends = append(ends, i)
		}
		ends[n] = i
	}
	longest := make([][2]int, len(ends))
	if len(ends) == 0 {
		return longest
	}
	for n, i := len(ends)-1, ends[len(ends)-1]; n >= 0; n, i = n-1, before[i] {
		longest[n] = pairs[i]
	}
	return longest
}

// between adds the changes within a stretch of both texts.
func (d *Difference) between(all []Change, c Change) []Change {
	for c.Was.Len() > 0 && c.Is.Len() > 0 && d.Was[c.Was.From] == d.Is[c.Is.From] {
		c.Was.From, c.Is.From = c.Was.From+1, c.Is.From+1
	}
	for c.Was.Len() > 0 && c.Is.Len() > 0 && d.Was[c.Was.To-1] == d.Is[c.Is.To-1] {
		c.Was.To, c.Is.To = c.Was.To-1, c.Is.To-1
	}
	if c.Was.Len() == 0 && c.Is.Len() == 0 {
		return all
	}
	if c.Was.Len() <= 1 && c.Is.Len() <= 1 || c.Was.Len() == 0 || c.Is.Len() == 0 {
		return append(all, c)
	}
	for _, f := range lcs.DiffLines(d.Was[c.Was.From:c.Was.To], d.Is[c.Is.From:c.Is.To]) {
		all = append(all, Change{
			Span{c.Was.From + f.Start, c.Was.From + f.End}, Span{c.Is.From + f.ReplStart, c.Is.From + f.ReplEnd},
		})
	}
	return all
}
