package engine

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
)

// told gives a container of what an engine tells.
func told(t *testing.T, all string) *Container {
	t.Helper()
	var parts struct{ Config, HostConfig json.RawMessage }
	if err := json.Unmarshal([]byte(all), &parts); err != nil {
		t.Fatal(err)
	}
	return &Container{all: json.RawMessage(all), config: parts.Config, hostConfig: parts.HostConfig}
}

// TestDifferences: what nobody knows counts, and what each container has of its own does not.
func TestDifferences(t *testing.T) {
	for name, test := range map[string]struct {
		old, made string
		want      []string
	}{
		"own": {`{"Id":"ab","State":{"Pid":3},"HostsPath":"/x","Config":{"Hostname":"0123456789ab","CreateCommand":["a"]},"HostConfig":{"RestartPolicy":{"Name":"always"}}}`,
			`{"Id":"cd","State":{},"Config":{"Hostname":"ba9876543210","CreateCommand":["b"],"Labels":{"kist.upgrade":"ab"}},"HostConfig":{}}`, nil},
		"unknown":     {`{"FromTheFuture":1}`, `{}`, []string{"FromTheFuture: 1, would be nothing"}},
		"told once":   {`{"Config":{"Umask":"0022"}}`, `{"Config":{"Umask":"0000"}}`, []string{"Umask:"}},
		"more":        {`{}`, `{"EffectiveCaps":["CAP_SYS_ADMIN"]}`, []string{"EffectiveCaps: nothing, would be"}},
		"more rights": {`{"HostConfig":{}}`, `{"HostConfig":{"Privileged":true}}`, []string{"Privileged: nothing, would be true"}},
		"config":      {`{"Config":{"Cmd":["a"]}}`, `{"Config":{"Cmd":["a"],"Umask":"0000"}}`, []string{`Umask: nothing, would be "0000"`}},
	} {
		if got := Differences(told(t, test.old), told(t, test.made), nil); !slices.EqualFunc(got, test.want, strings.HasPrefix) {
			t.Errorf("%s: %q, not %q", name, got, test.want)
		}
	}
}
