package engine

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"testing"
)

type diffRunner string

func (d diffRunner) Run(_ context.Context, _ []string, _ io.Reader, stdout, _ io.Writer) error {
	_, err := fmt.Fprint(stdout, string(d))
	return err
}

// TestChanged: what is mounted, leads there, or is the engine's, is no change of a container's own layer. The lines are as
// podman-diff(1) shows them (Podman 4.3.1).
func TestChanged(t *testing.T) {
	for _, test := range []struct {
		said, user string
		want       []string
	}{
		{"A /data\nA /etc\nA /etc/single.toml\n", "", nil},
		{"C /etc\nA /etc/hosts\nC /run\nA /run/secrets/x\n", "", nil},
		{"C /etc\nC /etc/passwd\n", "", []string{"/etc/passwd"}},
		{"C /etc\nC /etc/passwd\n", "0:0", nil},
		{"C /var\nA /var/seeds.db\nD /data2\n", "", []string{"/var", "/var/seeds.db", "/data2"}},
	} {
		config, _ := json.Marshal(map[string]string{"User": test.user})
		c := &Container{ID: "c1", Name: "seedbank", config: config, Mounts: []Mount{{Destination: "/data"}, {Destination: "/etc/single.toml"}}}
		got, err := NewWith("engine", diffRunner(test.said)).Changed(t.Context(), c)
		if err != nil || !slices.Equal(got, test.want) {
			t.Errorf("%q: %q, %v", test.said, got, err)
		}
	}
	if _, err := NewWith("engine", diffRunner("nothing to see\n")).Changed(t.Context(), &Container{}); err == nil {
		t.Error("what is not understood counts as nothing")
	}
}
