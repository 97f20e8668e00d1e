package crypt

import (
	"fmt"
	"io"
	"log/slog"
)

const redactedText = "[secret]"

// redacted is embedded by every type that holds key material.
type redacted struct{}

func (redacted) String() string               { return redactedText }
func (redacted) GoString() string             { return redactedText }
func (redacted) MarshalText() ([]byte, error) { return []byte(redactedText), nil }
func (redacted) LogValue() slog.Value         { return slog.StringValue(redactedText) }

func (redacted) Format(f fmt.State, _ rune) {
	// fmt.State has nowhere to report a failed write.
	_, _ = io.WriteString(f, redactedText)
}

// hidden keeps key material from fmt where it calls no methods: in unexported
// fields of a caller's struct. There it stops at a pointer, or, for a verb that
// does not suit a pointer, at the second one. Copies share the material.
type hidden[T any] struct{ at **T }

func hide[T any](material *T) hidden[T] { return hidden[T]{at: &material} }

// get returns the material, nil where there is none or it was taken.
func (h hidden[T]) get() *T {
	if h.at == nil {
		return nil
	}
	return *h.at
}

// take returns the material and leaves nil.
func (h hidden[T]) take() *T {
	material := h.get()
	if material != nil {
		*h.at = nil
	}
	return material
}
