package remember

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"maps"
	"slices"
	"strings"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/names"
)

// A file has a line for each thing that was learned, the later ones ruling:
//
//	root FINGERPRINT        all before is forgotten, if it is another one
//	slot ID
//	made CAPTURE HASH
//	seen CAPTURE HASH
//	gone CAPTURE HASH
//	place PLACE SECONDS WHERE   captures were copied there: seconds since 1970; - for the first place; in hexadecimal
//
// Behind each stands a sum over it and the repository's id: a line that was written in part
// or for another repository is passed over, and costs no other line. So is one that a later
// release wrote, which stays.

// contents are what the lines say.
type contents struct {
	root     crypt.Digest
	rooted   bool
	slot     crypt.SlotID
	captures map[string]Capture
	places   map[string]Place
	last     Capture  // made last
	other    []string // lines of a later release
	lines    int      // that were taken in
}

func rootLine(f crypt.Digest) string    { return "root " + f.String() }
func slotLine(slot crypt.SlotID) string { return "slot " + string(slot) }
func captureLine(c Capture) string      { return string(c.Kind) + " " + c.ID + " " + c.Hash.String() }
func compareIDs(a, b string) int        { return cmp.Compare(a, b) }
func sealLine(key, line string) string  { return line + " " + lineSum(key, line) + "\n" }
func newContents() contents {
	return contents{captures: make(map[string]Capture), places: make(map[string]Place)}
}
func isSlotID(s string) bool              { return len(s) == 16 && strings.Trim(s, "0123456789abcdef") == "" }
func fields(line string) (words []string) { return strings.Split(line, " ") }

// lineSum tells a whole line from a part of one. It is no protection: whoever can write
// the file can make it.
func lineSum(key, line string) string {
	sum := sha256.Sum256([]byte("kist known 1\n" + key + "\n" + line))
	return hex.EncodeToString(sum[:4])
}

// openLine is the inverse of sealLine.
func openLine(key, sealed string) (line string, ok bool) {
	i := strings.LastIndexByte(sealed, ' ')
	if i < 0 {
		return "", false
	}
	return sealed[:i], sealed[i+1:] == lineSum(key, sealed[:i])
}

// errForeign is returned for a file none of whose lines is of this repository.
var errForeign = errors.New("it is no file of what is known of this repository: remove it, or see who writes there")

// parse reads a file.
func parse(key string, b []byte) (contents, error) {
	c := newContents()
	bad := 0
	for sealed := range bytes.SplitSeq(b, []byte{'\n'}) {
		if len(sealed) == 0 {
			continue
		}
		if line, ok := openLine(key, string(sealed)); ok {
			c.take(line)
		} else if !isPart(sealed) {
			bad++
		}
	}
	if c.lines == 0 && bad > 0 {
		return newContents(), errForeign
	}
	return c, nil
}

// isPart tells whether a line may be one of ours that was written in part.
func isPart(line []byte) bool {
	for _, word := range []string{"root ", "slot ", "made ", "seen ", "gone ", "place "} {
		if n := min(len(word), len(line)); string(line[:n]) == word[:n] {
			return true
		}
	}
	return false
}

// take takes in what a line says.
func (c *contents) take(line string) {
	c.lines++
	words := fields(line)
	switch {
	case len(words) == 2 && words[0] == "root":
		if f, err := crypt.ParseDigest(words[1]); err == nil {
			if c.rooted && c.root != f {
				lines := c.lines
				*c = newContents()
				c.lines = lines
			}
			c.root, c.rooted = f, true
			return
		}
	case len(words) == 2 && words[0] == "slot" && isSlotID(words[1]):
		c.slot = crypt.SlotID(words[1])
		return
	case len(words) == 3 && slices.Contains([]Kind{Made, Seen, Gone}, Kind(words[0])) && names.IsID(words[1]):
		if h, err := crypt.ParseDigest(words[2]); err == nil {
			c.note(Capture{words[1], h, Kind(words[0])})
			return
		}
	}
	if p, ok := parsePlace(words); ok {
		c.places[p.ID] = p
		return
	}
	if !slices.Contains(c.other, line) && len(c.other) < maxOther {
		c.other = append(c.other, line)
	}
}

// maxOther is how many lines of a later release are kept.
const maxOther = 1000

func (c *contents) note(n Capture) {
	c.captures[n.ID] = n
	switch {
	case n.Kind == Made:
		c.last = n
	case n.ID == c.last.ID && n.Kind == Seen:
		c.last = Capture{} // by another one's hand
	}
	if len(c.captures) > MaxCaptures+MaxCaptures/8 {
		c.trim()
	}
}

// oldest gives the first id of those that are known, where there is no room for more.
func (c *contents) oldest() (id string) {
	if len(c.captures) < MaxCaptures {
		return ""
	}
	for known, n := range c.captures {
		if n.Kind == Gone {
			return ""
		}
		if id == "" || compareIDs(known, id) < 0 {
			id = known
		}
	}
	return id
}

// join takes in what a process knows beside the file, as it could not be kept there.
func (c *contents) join(beside *contents) {
	if _, kept := c.captures[beside.last.ID]; !kept && beside.last.ID != "" {
		c.last = beside.last
	}
	for id, n := range beside.captures {
		if _, kept := c.captures[id]; !kept {
			c.captures[id] = n
		}
	}
	for id, p := range beside.places {
		if c.places[id].At.Before(p.At) {
			c.places[id] = p
		}
	}
	if !c.rooted {
		c.root, c.rooted = beside.root, beside.rooted
	}
	if c.slot == "" {
		c.slot = beside.slot
	}
}

// trim forgets captures beyond MaxCaptures.
func (c *contents) trim() {
	all := make([]Capture, 0, len(c.captures))
	for _, n := range c.captures {
		all = append(all, n)
	}
	slices.SortFunc(all, func(a, b Capture) int {
		if (a.Kind == Gone) != (b.Kind == Gone) {
			if a.Kind == Gone {
				return -1
			}
			return 1
		}
		return compareIDs(a.ID, b.ID)
	})
	for _, n := range all[:max(0, len(all)-MaxCaptures)] {
		delete(c.captures, n.ID)
	}
}

// text gives lines that say the same in the shortest way.
func (c *contents) text(key string) []byte {
	c.trim()
	var lines []string
	if c.rooted {
		lines = append(lines, rootLine(c.root))
	}
	if c.slot != "" {
		lines = append(lines, slotLine(c.slot))
	}
	ids := make([]string, 0, len(c.captures))
	for id := range c.captures {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	for _, id := range ids {
		if id != c.last.ID {
			lines = append(lines, captureLine(c.captures[id]))
		}
	}
	if c.last.ID != "" {
		// Last, since a line of one that was made says that.
		lines = append(lines, captureLine(c.last))
		if now, ok := c.captures[c.last.ID]; ok && now != c.last {
			lines = append(lines, captureLine(now))
		}
	}
	for _, id := range slices.Sorted(maps.Keys(c.places)) {
		lines = append(lines, placeLine(c.places[id]))
	}
	lines = append(lines, c.other...)
	var b []byte
	for _, line := range lines {
		b = append(b, sealLine(key, line)...)
	}
	return b
}
