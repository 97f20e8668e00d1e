package store

import (
	"testing"
	"time"
)

// FuzzSelector takes texts apart, and holds that nothing is lost, and that what is taken for
// a day is one.
func FuzzSelector(f *testing.F) {
	for _, text := range []string{
		"", "latest", "20260314", "202603141", "20260314t0203z-k7f3", "seedbank@latest", "@latest", "seedbank@", "a@b@latest",
		"seedbank@4.1.0", "seedbank@2026-03-14", "seedbank@20260314", "seedbank@2026-02-30", "seedbank@2026-3-14", "seedbank@00000000", "\xff@\xff",
	} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		s := parseSelector(text)
		ats := 0
		for i := range len(text) {
			if text[i] == '@' {
				ats++
			}
		}
		if s.text != text || len(s.named) != ats || s.latest != (text == "latest") || s.digits && ats > 0 {
			t.Fatalf("%q: %+v", text, s)
		}
		for _, n := range s.named {
			if n.name+"@"+n.what != text || n.latest != (n.what == "latest") {
				t.Fatalf("%q: %+v", text, n)
			}
			if n.day == "" {
				continue
			}
			day, err := time.Parse(time.DateOnly, n.day)
			if err != nil || n.what != n.day && n.what != day.Format("20060102") {
				t.Fatalf("%q: the day %q: %v", text, n.day, err)
			}
		}
		// Whatever it is, it chooses nothing among none, and what has that id among one.
		if c, err := s.choose(nil, ChooseOptions{}); err == nil {
			t.Fatalf("%q: %v", text, c)
		}
		if only := (&Capture{ID: text}); text != "" && ats == 0 && !s.latest {
			if c, err := s.choose([]*Capture{only}, ChooseOptions{}); err != nil || c != only {
				t.Fatalf("%q: %v, %v", text, c, err)
			}
		}
	})
}
