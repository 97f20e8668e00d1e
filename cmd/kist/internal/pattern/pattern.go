package pattern

import (
	"fmt"
	"path"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/store"
)

// Set are patterns that select members. No patterns fit everything.
type Set struct {
	texts []string
	used  []bool
}

// New fails with a *cmdline.UsageError where a text is no pattern.
func New(texts []string) (*Set, error) {
	p := &Set{used: make([]bool, len(texts))}
	for _, text := range texts {
		if text == "" {
			return nil, cmdline.Usagef("a pattern without a text: an argument is empty")
		}
		if _, err := path.Match(text, ""); err != nil {
			return nil, cmdline.Usagef("pattern %q: %v", text, err)
		}
		p.texts = append(p.texts, store.CleanPath(text))
	}
	return p, nil
}

// Match tells whether a member is wanted. It may be called by several at once.
func (p *Set) Match(member string) bool {
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

// Note is Match, and remembers the patterns that fit. It is not for several at once.
func (p *Set) Note(member string) bool {
	wanted := len(p.texts) == 0
	clean := store.CleanPath(member)
	for i, text := range p.texts {
		if fits(text, clean) {
			p.used[i], wanted = true, true
		}
	}
	return wanted
}

// Unused gives an error for patterns that fitted nothing.
func (p *Set) Unused() error {
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

// fits tells whether a pattern fits a clean path, or a folder above it.
func fits(text, member string) bool {
	if text == "." {
		return true // the folder that holds everything
	}
	for {
		if ok, _ := path.Match(text, member); ok {
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
