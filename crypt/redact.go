package crypt

import (
	"fmt"
	"io"
	"log/slog"
)

const redactedText = "[secret]"

// redacted is embedded by every type that holds key material. The embedding
// types keep that material behind a pointer, since fmt calls no methods on
// unexported fields of a caller's struct but stops at nested pointers.
type redacted struct{}

func (redacted) String() string               { return redactedText }
func (redacted) GoString() string             { return redactedText }
func (redacted) MarshalText() ([]byte, error) { return []byte(redactedText), nil }
func (redacted) LogValue() slog.Value         { return slog.StringValue(redactedText) }

func (redacted) Format(f fmt.State, _ rune) {
	// fmt.State has nowhere to report a failed write.
	_, _ = io.WriteString(f, redactedText)
}
