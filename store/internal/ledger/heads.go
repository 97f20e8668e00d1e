package ledger

import (
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
)

// headDigits is how many hexadecimal digits of a hash stand in a head: 128 bits, so that
// nobody makes a second capture that fits (a common bound; no source).
const headDigits = 32

// Head names a capture as it was: its id, a colon, and the beginning of its hash.
type Head struct{ ID, hash string }

func (h Head) String() string { return h.ID + ":" + h.hash }

func newHeadToken(id string, hash crypt.Digest) Head {
	return Head{id, hash.String()[:headDigits]}
}

func (h Head) Fits(hash crypt.Digest) bool { return hash.String()[:headDigits] == h.hash }

// ParseHeads reads texts of heads, with white space or commas between their tokens.
func ParseHeads(texts []string) (all []Head, err error) {
	for _, text := range texts {
		words := strings.FieldsFunc(text, func(r rune) bool { return strings.ContainsRune(" \t\r\n,", r) })
		if len(words) == 0 {
			err = errors.Join(err, fmt.Errorf("%w: an empty head", vault.ErrBadOptions))
		}
		for _, word := range words {
			id, hash, _ := strings.Cut(word, ":")
			if _, bad := hex.DecodeString(hash); bad != nil || len(hash) != headDigits || !names.IsID(id) || strings.ToLower(hash) != hash {
				err = errors.Join(err, fmt.Errorf("%w: %.80q is no head: it is the id of a capture, a colon and %d hexadecimal digits", vault.ErrBadOptions, word, headDigits))
			}
			all = append(all, Head{id, hash})
		}
	}
	return all, err
}

// Heads gives the tokens of the newest capture of each chain, sorted.
func Heads(captures []*Capture) []string {
	followed := make(map[string]bool)
	for _, c := range captures {
		if p := c.Previous; p != nil {
			followed[p.ID] = true
		}
	}
	lone := make(map[string]*Capture) // the newest of each host that has no other beside it
	tokens := []string{}
	for _, c := range captures {
		switch before := lone[c.Host]; {
		case followed[c.ID]:
		case c.Previous != nil:
			tokens = append(tokens, newHeadToken(c.ID, c.Hash()).String())
		case before == nil || before.Written.Before(c.Written):
			lone[c.Host] = c
		}
	}
	for _, c := range lone {
		tokens = append(tokens, newHeadToken(c.ID, c.Hash()).String())
	}
	slices.Sort(tokens)
	return tokens
}
