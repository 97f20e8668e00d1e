package main

import (
	"fmt"
	"path"
	"strings"

	"github.com/kistarchive/kist/store"
)

// patterns select members. A pattern is one of path.Match, and fits a member's
// path, or that of a folder above it. No patterns fit everything.
type patterns struct {
	texts []string
	used  []bool
}

func newPatterns(texts []string) (*patterns, error) {
	p := &patterns{used: make([]bool, len(texts))}
	for _, text := range texts {
		if text == "" {
			return nil, usagef("a pattern without a text: an argument is empty")
		}
		if _, err := path.Match(text, ""); err != nil {
			return nil, usagef("pattern %q: %v", text, err)
		}
		p.texts = append(p.texts, store.CleanPath(text))
	}
	return p, nil
}

// match tells whether a member is wanted. It may be called by several at once.
func (p *patterns) match(member string) bool {
	if len(p.texts) == 0 {
		return true
	}
	clean := store.CleanPath(member)
	for _, text := range p.texts {
		if fits(text, clean) {
			return true
		}
	}
	return false
}

// note is match, and remembers the patterns that fit.
func (p *patterns) note(member string) bool {
	wanted := len(p.texts) == 0
	clean := store.CleanPath(member)
	for i, text := range p.texts {
		if fits(text, clean) {
			p.used[i], wanted = true, true
		}
	}
	return wanted
}

// unused gives an error for patterns that fitted nothing.
func (p *patterns) unused() error {
	var none []string
	for i, text := range p.texts {
		if !p.used[i] {
			none = append(none, fmt.Sprintf("%q", text))
		}
	}
	if len(none) == 0 {
		return nil
	}
	return fmt.Errorf("a member that fits %s: %w (kist contents shows what there is)", strings.Join(none, " or "), store.ErrNotFound)
}

// fits tells whether the pattern fits a clean path, or a folder above it.
func fits(pattern, member string) bool {
	if pattern == "." {
		return true // the folder that holds everything
	}
	for {
		if ok, _ := path.Match(pattern, member); ok {
			return true
		}
		// A path may be long: it is cut, since path.Dir would go through all of it each time.
		i := strings.LastIndexByte(member, '/')
		if i <= 0 {
			return false
		}
		member = member[:i]
	}
}
