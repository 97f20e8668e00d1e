package main

import (
	"archive/tar"
	"fmt"
	"io"
	"math/rand/v2"
	"time"
)

// touches gives the time of the next member.
type touches func() time.Time

// madeDate is when a tree was put on disk, touchDate when its files were touched.
func madeDate() time.Time  { return time.Date(2026, 3, 13, 1, 2, 0, 0, time.UTC) }
func touchDate() time.Time { return time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC) }

// oneTime touches all members at once.
func oneTime() touches {
	t := touchDate().Add(123456789)
	return func() time.Time { return t }
}

// eachItsTime touches one member after the other, up to 10 ms apart, as a program
// that copies a tree does.
func eachItsTime(t time.Time) touches {
	r := rand.New(rand.NewPCG(1, 2))
	return func() time.Time {
		t = t.Add(time.Duration(1 + r.Int64N(int64(10*time.Millisecond))))
		return t
	}
}

// retime copies a tar stream, giving every member a new time.
func retime(w io.Writer, r io.Reader, next touches) error {
	in, out := tar.NewReader(r), tar.NewWriter(w)
	for {
		h, err := in.Next()
		if err == io.EOF {
			return out.Close()
		}
		if err != nil {
			return err
		}
		h.ModTime, h.Format = next(), tar.FormatPAX
		if err := out.WriteHeader(h); err != nil {
			return fmt.Errorf("%s: %w", h.Name, err)
		}
		if _, err := io.Copy(out, in); err != nil {
			return fmt.Errorf("%s: %w", h.Name, err)
		}
	}
}
