package stock

import (
	"bytes"
	"io"
	"testing"
	"testing/iotest"

	"github.com/kistarchive/kist/store/internal/fetch"
)

// What passes through is the content to the byte, however it is asked for, and what is small is had at the end.
func TestCopying(t *testing.T) {
	for _, length := range []int{0, 1, fetch.SmallSlab - 1, fetch.SmallSlab, fetch.SmallSlab + 1, 3 * fetch.SmallSlab} {
		content := bytes.Repeat([]byte("seed"), length/4+1)[:length]
		for name, give := range map[string]func(c *copying) ([]byte, error){
			"read":     func(c *copying) ([]byte, error) { return io.ReadAll(iotest.OneByteReader(c)) },
			"write to": func(c *copying) ([]byte, error) { var b bytes.Buffer; _, err := c.WriteTo(&b); return b.Bytes(), err },
		} {
			c := &copying{from: bytes.NewReader(content)}
			got, err := give(c)
			if err != nil || !bytes.Equal(got, content) {
				t.Errorf("%s, %d bytes: got %d bytes, %v", name, length, len(got), err)
			}
			if small := length <= fetch.SmallSlab; small == c.long || small && !bytes.Equal(c.bytes, content) || !small && c.bytes != nil {
				t.Errorf("%s, %d bytes: %d bytes are had, long %v", name, length, len(c.bytes), c.long)
			}
		}
	}
}
