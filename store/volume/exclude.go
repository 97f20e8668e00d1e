package volume

import (
	"fmt"
	"path"
	"slices"
	"strings"
)

// excluder tells which members are not wanted, by the rules of gitignore(5), section "PATTERN FORMAT".
type excluder []exclusion

// exclusion is one pattern.
type exclusion struct {
	parts   []string // of a path from the top; "**" stands for any number of folders
	again   bool     // what matches is wanted after all
	folders bool     // only folders match
}

// newExcluder reads patterns, of which the last that matches counts.
func newExcluder(patterns []string) (excluder, error) {
	var x excluder
	for _, text := range patterns {
		p, err := parseExclusion(text)
		if err != nil {
			return nil, fmt.Errorf("pattern %q: %w", text, err)
		}
		if len(p.parts) > 0 {
			x = append(x, p)
		}
	}
	return x, nil
}

func parseExclusion(text string) (p exclusion, err error) {
	text = trimSpaces(strings.TrimSuffix(text, "\r"))
	if strings.HasPrefix(text, "#") {
		return p, nil
	}
	text, p.again = strings.CutPrefix(text, "!")
	text, p.folders = strings.CutSuffix(text, "/")
	anchored := strings.Contains(text, "/")
	text = strings.TrimPrefix(text, "/")
	if text == "" {
		return p, nil
	}
	if !anchored {
		p.parts = append(p.parts, "**")
	}
	for part := range strings.SplitSeq(text, "/") {
		if part, err = parseGlob(part); err != nil {
			return p, err
		}
		if part != "**" || len(p.parts) == 0 || p.parts[len(p.parts)-1] != "**" {
			p.parts = append(p.parts, part)
		}
	}
	if p.parts[len(p.parts)-1] == "**" { // what is in a folder, and not the folder
		p.parts = append(p.parts, "*")
	}
	return p, nil
}

// trimSpaces cuts spaces at the end, but not one after a backslash.
func trimSpaces(text string) string {
	trimmed := strings.TrimRight(text, " ")
	slashes := len(trimmed) - len(strings.TrimRight(trimmed, `\`))
	if slashes%2 == 1 && len(trimmed) < len(text) {
		return text[:len(trimmed)+1]
	}
	return trimmed
}

// parseGlob turns one part of a pattern into one for path.Match, which writes [!a] as [^a] and
// knows no classes like [[:digit:]].
func parseGlob(part string) (string, error) {
	if len(part) > 1 && strings.Trim(part, "*") == "" {
		return "**", nil
	}
	glob := []byte(part)
	for i, class := 0, false; i < len(glob); i++ {
		switch c := glob[i]; {
		case c == '\\':
			i++
		case class && c == '[' && i+1 < len(glob) && slices.Contains([]byte(":.="), glob[i+1]):
			return "", fmt.Errorf("classes by name are not known: %w", path.ErrBadPattern)
		case class:
			class = c != ']'
		case c == '[':
			class = true
			if i+1 < len(glob) && glob[i+1] == '!' {
				glob[i+1] = '^'
			}
		}
	}
	_, err := path.Match(string(glob), "")
	return string(glob), err
}

// excludes reports whether a member is left out, given its path as in Note.Path. Of one in a folder that is
// left out it isn't asked.
func (x excluder) excludes(name string, isDir bool) bool {
	if len(x) == 0 {
		return false
	}
	parts := strings.Split(name, "/")
	for _, p := range slices.Backward(x) {
		if (isDir || !p.folders) && matchParts(p.parts, parts) {
			return !p.again
		}
	}
	return false
}

func matchParts(pattern, name []string) bool {
	for i, part := range pattern {
		if part == "**" {
			return matchAnywhere(pattern[i+1:], name[i:])
		}
		if i >= len(name) {
			return false
		}
		if ok, err := path.Match(part, name[i]); !ok || err != nil {
			return false
		}
	}
	return len(name) == len(pattern)
}

// matchAnywhere matches a pattern that follows "**".
func matchAnywhere(pattern, name []string) bool {
	first := 0
	if !slices.Contains(pattern, "**") {
		first = max(0, len(name)-len(pattern))
	}
	for i := first; i <= len(name); i++ {
		if matchParts(pattern, name[i:]) {
			return true
		}
	}
	return false
}

// A folder with this file, which begins with these bytes, holds what can be made again (Cache Directory
// Tagging Specification, https://bford.info/cachedir/).
const (
	cacheTag          = "CACHEDIR.TAG"
	cacheTagSignature = "Signature: 8a477f597d28d172789f06886806bc55"
)

// isCache reports whether d, whose sorted entries are given, is tagged as a cache. The tag must be a
// regular file.
func isCache(d *folder, entries []entry) bool {
	_, found := slices.BinarySearchFunc(entries, cacheTag, func(e entry, name string) int { return strings.Compare(e.name, name) })
	if !found {
		return false
	}
	f, _, err := d.open(cacheTag)
	if err != nil {
		return false // and it is an error, or noted, in its turn
	}
	defer f.close()
	var head [len(cacheTagSignature)]byte
	n := 0
	for n < len(head) {
		more, err := f.readAt(head[n:], int64(n))
		if err != nil || more == 0 {
			return false
		}
		n += more
	}
	return string(head[:]) == cacheTagSignature
}
