package remember

import (
	"encoding/hex"
	"fmt"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Place is another place of the repository, to which this machine copied captures.
type Place struct {
	ID    string    // "": the first place, which has no identity of its own
	At    time.Time // when it did last; whole seconds
	Where string    // for people
}

const (
	firstPlace = "-"
	maxWhere   = 4 << 10 // bytes
	maxPlaces  = 64
)

func placeLine(p Place) string {
	id := p.ID
	if id == "" {
		id = firstPlace
	}
	return fmt.Sprintf("place %s %d %s", id, p.At.Unix(), "x"+hex.EncodeToString([]byte(p.Where)))
}

// parsePlace is the inverse of placeLine.
func parsePlace(words []string) (Place, bool) {
	if len(words) != 4 || words[0] != "place" {
		return Place{}, false
	}
	p := Place{ID: words[1]}
	if p.ID == firstPlace {
		p.ID = ""
	}
	seconds, err := strconv.ParseInt(words[2], 10, 64)
	text, isText := strings.CutPrefix(words[3], "x")
	where, bad := hex.DecodeString(text)
	p.At, p.Where = time.Unix(seconds, 0).UTC(), string(where)
	return p, err == nil && bad == nil && isText && (p.ID == "" || isSlotID(p.ID)) && placeLine(p) == strings.Join(words, " ")
}

// Places gives the other places that are known, by their identities.
func (m *Memory) Places() []Place {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.refresh() // another process may have copied; without, this one's serve
	var all []Place
	for _, p := range m.known.places {
		all = append(all, p)
	}
	slices.SortFunc(all, func(a, b Place) int { return strings.Compare(a.ID, b.ID) })
	return all
}

// NotePlace notes that captures were copied to another place.
func (m *Memory) NotePlace(p Place) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if _, known := m.known.places[p.ID]; !known && len(m.known.places) >= maxPlaces {
		return fmt.Errorf("more than %d places of the repository", maxPlaces)
	}
	if len(p.Where) > maxWhere {
		p.Where = p.Where[:maxWhere]
	}
	return m.add(placeLine(p))
}

// Of gives what this machine knows of another place of the same repository, in the same folder.
func (m *Memory) Of(place string) (*Memory, error) {
	if m.path == "" {
		return New(), nil
	}
	return Open(filepath.Dir(m.path), m.repository, place)
}
