package store

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
)

// headDigits is how many hexadecimal digits of a hash stand in a head: 128 bits, so that
// nobody makes a second capture that fits (a common bound; no source).
const headDigits = 32

// headToken names a capture as it was: its id, a colon, and the beginning of its hash.
type headToken struct{ id, hash string }

func (h headToken) String() string { return h.id + ":" + h.hash }

func newHeadToken(id string, hash crypt.Digest) headToken {
	return headToken{id, hash.String()[:headDigits]}
}

func (h headToken) fits(hash crypt.Digest) bool { return hash.String()[:headDigits] == h.hash }

// Head gives a short text by which the captures that there are can be known again: to be
// noted elsewhere, and given to Verify later. It names the newest capture of each chain:
// each machine that captures makes one, and begins another where it lost its notes. Captures
// that name none before them count as one chain for each host, of which only the newest is
// named. Retired ones count as well.
//
// Where index files are damaged it fails with ErrDamaged.
func (r *Repository) Head(ctx context.Context) (tokens []string, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(); err != nil {
		return nil, err
	}
	captures, err := r.AllCaptures(ctx)
	if err != nil {
		return nil, err
	}
	followed := make(map[string]bool)
	for _, c := range captures {
		if p := c.captured.Previous; p != nil {
			followed[p.ID] = true
		}
	}
	lone := make(map[string]*ledger.Capture) // the newest of each host that has no other beside it
	tokens = []string{}
	for _, given := range captures {
		c := given.captured
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
	return tokens, nil
}

// parseHeads reads texts of heads, with white space or commas between their tokens.
func parseHeads(texts []string) (all []headToken, err error) {
	for _, text := range texts {
		words := strings.FieldsFunc(text, func(r rune) bool { return strings.ContainsRune(" \t\r\n,", r) })
		if len(words) == 0 {
			err = errors.Join(err, fmt.Errorf("%w: an empty head", ErrBadOptions))
		}
		for _, word := range words {
			id, hash, _ := strings.Cut(word, ":")
			if _, bad := hex.DecodeString(hash); bad != nil || len(hash) != headDigits || !names.IsID(id) || strings.ToLower(hash) != hash {
				err = errors.Join(err, fmt.Errorf("%w: %.80q is no head: it is the id of a capture, a colon and %d hexadecimal digits", ErrBadOptions, word, headDigits))
			}
			all = append(all, headToken{id, hash})
		}
	}
	return all, err
}

// checkHead proves that the captures that are there come from those that a head names.
func (v *verifier) checkHead() error {
	heads, err := parseHeads(v.o.Head)
	if err != nil {
		return err
	}
	now := make(map[string]crypt.Digest)
	later := make(map[string]crypt.Digest) // by what the capture after it says
	for _, c := range v.captures {
		now[c.ID] = c.Hash()
		if p := c.Previous; p != nil {
			later[p.ID] = p.Hash
		}
	}
	for _, h := range heads {
		hash, there := now[h.id]
		after, chained := later[h.id]
		switch {
		case there && h.fits(hash), slices.ContainsFunc(v.gone[h.id], h.fits):
		case !there && v.gone.Covers(h.id, crypt.Digest{}) && (!chained || h.fits(after)):
			if !chained {
				v.report.Notes = append(v.report.Notes, fmt.Sprintf("capture %s of the head was removed on purpose, and nothing tells any more whether it was the one named", h.id))
			}
		case there || chained && !h.fits(after):
			v.historyDamage(h.id, fmt.Errorf("%w: it is not the capture that the head names: it was exchanged", ErrDamaged))
		default:
			v.historyDamage(h.id, fmt.Errorf("%w: the head names it, and it is not there and was not removed by reclaiming: the repository was put back to an earlier state, or it vanished", ErrDamaged))
		}
	}
	return nil
}
