package engine

import (
	"context"
	"strings"
)

// Names gives the names of all containers, those that are stopped among them.
func (e *Engine) Names(ctx context.Context) ([]string, error) {
	out, err := e.call(ctx, e.wait, "ps", "--all", "--format", "{{.Names}}")
	if err != nil {
		return nil, err
	}
	var names []string
	for line := range strings.Lines(string(out)) {
		// Some have several, the one that counts first.
		if name, _, _ := strings.Cut(strings.TrimSpace(line), ","); name != "" {
			names = append(names, name)
		}
	}
	return names, nil
}
