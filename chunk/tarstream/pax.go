package tarstream

import (
	"bytes"
	"iter"
	"strconv"
)

// records yields the keys and values of a pax extended header, as far as they
// can be read: each is "LENGTH KEY=VALUE\n", where LENGTH counts the whole
// record (POSIX pax, "pax Extended Header").
func records(payload []byte) iter.Seq2[string, []byte] {
	return func(yield func(string, []byte) bool) {
		for len(payload) > 0 {
			digits, _, found := bytes.Cut(payload[:min(len(payload), 20)], []byte{' '})
			n, err := strconv.Atoi(string(digits))
			if !found || err != nil || n <= len(digits)+1 || n > len(payload) || payload[n-1] != '\n' {
				return
			}
			record := payload[len(digits)+1 : n-1]
			payload = payload[n:]
			key, value, found := bytes.Cut(record, []byte{'='})
			if !found || len(key) == 0 {
				return
			}
			if !yield(string(key), value) {
				return
			}
		}
	}
}

// paxSize returns the size record of a payload; ok is false for one that is no
// size at all.
func paxSize(payload []byte) (size int64, found, ok bool) {
	ok = true
	for key, value := range records(payload) {
		if key != "size" {
			continue
		}
		found = len(value) > 0 // an empty one takes back what stood before
		if found {
			n, err := strconv.ParseUint(string(value), 10, 63)
			size, ok = int64(n), err == nil
		}
	}
	return size, found, ok
}
