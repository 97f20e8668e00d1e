package pattern

import (
	"cmp"
	"fmt"
	"path"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/store"
)

// Set are patterns that select members. No patterns fit everything.
type Set struct {
	patterns []pattern
	used     []bool
}

// pattern is one of path.Match, for a clean path or a folder above it.
type pattern struct {
	asked    string // as it was given
	text     string
	anywhere bool // it fits a name in any folder
	near     string
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
		// A slash at the end asks for a folder, not for a place.
		name := strings.TrimRight(text, "/")
		p.patterns = append(p.patterns, pattern{asked: text, text: store.CleanPath(text), anywhere: name != "" && name != "." && !strings.Contains(name, "/")})
	}
	return p, nil
}

// Match tells whether a member is wanted. It may be called by several at once.
func (p *Set) Match(member string) bool {
	if len(p.patterns) == 0 {
		return true
	}
	clean := store.CleanPath(member)
	for _, one := range p.patterns {
		if one.fits(clean) {
			return true
		}
	}
	return false
}

// Note is Match, and remembers the patterns that fit. It is not for several at once.
func (p *Set) Note(member string) bool {
	wanted := len(p.patterns) == 0
	clean := store.CleanPath(member)
	for i, one := range p.patterns {
		if one.fits(clean) {
			p.used[i], wanted = true, true
		}
	}
	return wanted
}

// Unused gives an error for patterns that fitted nothing.
func (p *Set) Unused() error {
	var none []string
	near := ""
	for i, one := range p.patterns {
		if !p.used[i] {
			none = append(none, fmt.Sprintf("%q", one.asked))
			near = cmp.Or(near, one.near)
		}
	}
	if len(none) == 0 {
		return nil
	}
	if near != "" {
		near = fmt.Sprintf("; did you mean %q?", near)
	}
	return fmt.Errorf("a member that fits %s: %w (kist contents shows what there is)%s", strings.Join(none, " or "), store.ErrNotFound, near)
}

// Consider holds a member against the patterns without wildcards that fitted nothing: Unused asks
// whether the nearest was meant. It is not for several at once.
func (p *Set) Consider(member string) {
	clean := store.CleanPath(member)
	for i := range p.patterns {
		one := &p.patterns[i]
		if p.used[i] || strings.ContainsAny(one.text, `*?[\\`) {
			continue
		}
		known := clean
		if one.anywhere {
			known = path.Base(clean)
		}
		one.near = cmdline.Nearest(one.text, []string{one.near, known})
	}
}

// fits tells whether a pattern fits a clean path, or a folder above it.
func (p *pattern) fits(member string) bool {
	if p.text == "." {
		return true // the folder that holds everything
	}
	for {
		// A path may be long: it is cut, since path.Dir would go through all of it each time.
		i := strings.LastIndexByte(member, '/')
		tried := member
		if p.anywhere {
			tried = member[i+1:]
		}
		if ok, _ := path.Match(p.text, tried); ok {
			return true
		}
		if i <= 0 {
			return false
		}
		member = member[:i]
	}
}
