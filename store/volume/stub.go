package volume

import (
	"context"
	"io"
)

// Extract is being written.
func Extract(ctx context.Context, r io.Reader, dir string, o ExtractOptions) (*ExtractReport, error) {
	return nil, nil
}

// WriteTar is being written.
func WriteTar(ctx context.Context, w io.Writer, dir string, o ReadOptions) (*ReadReport, error) {
	return nil, nil
}
