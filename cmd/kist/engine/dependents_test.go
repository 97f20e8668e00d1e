package engine

import (
	"testing"
)

// TestDependents: a container depends on another by what the engine lists, or by whose network or namespace it has; a name that
// begins alike is another's.
func TestDependents(t *testing.T) {
	e := NewWith("engine", script{
		"ps --all --quiet --no-trunc":     "a1\na2\na3\na4\na5\n",
		"inspect --type container -- a1":  `[{"Id":"a1","Name":"seedbank"}]`,
		"inspect --type container -- a2":  `[{"Id":"a2","Name":"requires","Dependencies":["b7","a1"]}]`,
		"inspect --type container -- a3":  `[{"Id":"a3","Name":"proxy","HostConfig":{"NetworkMode":"container:a1"}}]`,
		"inspect --type container -- a4":  `[{"Id":"a4","Name":"other","HostConfig":{"NetworkMode":"container:a11","PidMode":"private"},"Dependencies":["a11"]}]`,
		"inspect --type container -- a5":  "fail: Error: no such container a5",
		"inspect --type container -- a11": `[{"Id":"a11","Name":"mill"}]`,
	})
	found, err := e.Dependents(t.Context(), "a1")
	if err != nil || len(found) != 2 || found[0].Name != "requires" || found[1].Name != "proxy" {
		t.Errorf("%+v, %v", found, err)
	}
}
