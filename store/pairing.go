package store

import (
	"cmp"
	"slices"
	"time"
)

// VolumePair is one volume as each of two captures has it, or nil in one that does not.
type VolumePair struct{ Was, Is *Volume }

// Named tells whether either of both has that name.
func (p VolumePair) Named(name string) bool {
	return p.Was != nil && p.Was.Name == name || p.Is != nil && p.Is.Name == name
}

// PairVolumes pairs the volumes of two captures: those of one name, and the only ones of both, whatever they are
// called. They come in the order of the second capture, and what only the first one has behind them in its order. A
// nil capture has none.
func PairVolumes(was, is *Capture) (pairs []VolumePair) {
	paired := make(map[int]bool)
	for i, n := range counterparts(was, is) {
		p := VolumePair{Is: &is.Volumes[i]}
		if n >= 0 {
			p.Was, paired[n] = &was.Volumes[n], true
		}
		pairs = append(pairs, p)
	}
	if was == nil {
		return pairs
	}
	for n := range was.Volumes {
		if !paired[n] {
			pairs = append(pairs, VolumePair{Was: &was.Volumes[n]})
		}
	}
	return pairs
}

// counterparts gives for each volume of the second capture the number of that of the first which is the same, or -1.
func counterparts(was, is *Capture) (numbers []int) {
	if is == nil {
		return nil
	}
	for i := range is.Volumes {
		switch {
		case was == nil:
			numbers = append(numbers, -1)
		case len(was.Volumes) == 1 && len(is.Volumes) == 1:
			numbers = append(numbers, 0)
		default:
			numbers = append(numbers, slices.IndexFunc(was.Volumes, func(v Volume) bool { return v.Name == is.Volumes[i].Name }))
		}
	}
	return numbers
}

// CapturePair is a capture, and one of the same name and host before it.
type CapturePair struct{ Was, Is *Capture }

// LatestPairs gives the last two captures of each name and host that has two, whose Is was taken last first. Captures
// that are retired, and those that are dated after now by more than [ClockTolerance], do not count.
func LatestPairs(captures []*Capture, now time.Time) (pairs []CapturePair) {
	for _, s := range servicesOf(withoutRetired(captures), now) {
		if s.Before != nil {
			pairs = append(pairs, CapturePair{s.Before, s.Last})
		}
	}
	slices.SortFunc(pairs, func(a, b CapturePair) int {
		return cmp.Or(b.Is.Taken.Compare(a.Is.Taken), cmp.Compare(b.Is.ID, a.Is.ID))
	})
	return pairs
}
