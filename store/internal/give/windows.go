package give

import (
	"fmt"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/weave"
)

// windows reads parts of a stream, and keeps what it read last: of a list that is not in the order of
// paths, what is asked for together stands anywhere.
type windows struct {
	in   *stretch
	kept recent[int64, []byte]
}

// bytes gives a part of the stream; one that it does not have is damage of the order that asks for it.
func (w *windows) bytes(off, n uint64) ([]byte, error) {
	if all := uint64(w.in.length); off > all || n > all-off {
		return nil, &orderError{fmt.Errorf("%w: an order that ends behind the member list", format.ErrDamaged)}
	}
	out := make([]byte, 0, n)
	for at := int64(off); len(out) < int(n); at = int64(off) + int64(len(out)) {
		start := at &^ (window - 1)
		part, err := w.kept.get(start, func() ([]byte, int, error) { return w.read(start) })
		if err != nil {
			return nil, err
		}
		part = part[at-start:]
		out = append(out, part[:min(len(part), int(n)-len(out))]...)
	}
	return out, nil
}

// read reads a window.
func (w *windows) read(start int64) ([]byte, int, error) {
	end := min(start+window, w.in.length)
	in, err := w.in.stored(start, end)
	if err != nil {
		return nil, 0, err
	}
	defer in.close()
	p := make([]byte, end-start)
	for done := 0; done < len(p); {
		n, err := in.readFrom(start+int64(done), p[done:])
		if done += n; err != nil && done < len(p) {
			return nil, 0, fmt.Errorf("member list: %w", weave.OrDamage(err, "it ends too early"))
		}
	}
	return p, len(p), nil
}
